"""The outbox: nothing put in is lost by a kill, all of it comes out in order and once, and it stays within bounds."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import loadbook.transport.outbox as outbox_module
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.reading import QUANTITIES, Reading
from loadbook.transport.outbox import Outbox
from loadbook.transport.packs import Entry, Pack, Step, decode, encode
from loadbook.transport.segments import Kept, Segments, from_line, to_line

T0 = 1_790_000_000_000


def made(folder: Path, boot: str = "b1", most_bytes: int = 10**8) -> Outbox:
    return Outbox(folder, boot=boot, clock_is_set=lambda: True, most_bytes=most_bytes)


def fill(box: Outbox, n: int, meter: str = "m1", first: int = 0) -> None:
    for i in range(first, first + n):
        box.put(meter, Reading(T0 + 1000 * i, power_w=float(i)), 1000 * i)


def no_space(*_: object) -> int:
    raise OSError(28, "No space left on device")


def taken(box: Outbox, meter: str = "m1") -> list[float]:
    """All that waits, in the order in which it is sent and committed."""
    powers: list[float] = []
    while entries := box.take(meter, 60, 1200):
        powers += [k.what.power_w for k in entries if isinstance(k.what, Reading)]
        assert box.committed(entries[-1].session, meter, entries[-1].sequence)
    return powers


VALUES = {
    q.name: st.none() | st.floats(-1e6, 1e9, allow_nan=False).map(lambda v, d=q.decimals: round(v, d))
    for q in QUANTITIES
}
KEPT = st.builds(
    Kept,
    session=st.just("ab12cd34"),
    meter=st.sampled_from(["m1", "quay-washer-1"]),
    sequence=st.integers(1, 10**12),
    at_ms=st.integers(T0, T0 + 10**9),
    mono_ms=st.integers(0, 10**12),
    clock_set=st.booleans(),
    what=st.builds(Reading, at_ms=st.just(T0), **VALUES)
    | st.sampled_from(["no_answer", "crc"])
    | st.builds(Step, from_ms=st.integers(0, 10**13), by_ms=st.integers(-(10**11), 10**11)),
)


@given(kept=KEPT)
@settings(max_examples=150, deadline=None)
def test_a_line_comes_back(kept):
    back = from_line(to_line(kept))
    assert back is not None
    assert to_line(back) == to_line(kept)


@given(kept=KEPT, data=st.data())
@settings(max_examples=150, deadline=None)
def test_a_damaged_line_gives_nothing(kept, data):
    line = bytearray(to_line(kept))
    at = data.draw(st.integers(0, len(line) - 1))
    changed = data.draw(st.integers(0, 255).filter(lambda b: b != line[at]))
    cut = data.draw(st.integers(0, len(line) - 1))
    assert from_line(bytes(line[:cut])) is None
    line[at] = changed
    back = from_line(bytes(line))
    # Upper case digits in the check sum are the one change that means the same.
    assert back is None or to_line(back) == to_line(kept)


def test_in_order_once_and_then_gone(tmp_path):
    box = made(tmp_path)
    fill(box, 500)
    assert taken(box) == [float(i) for i in range(500)]
    assert taken(box) == []
    box.close()


def test_what_is_not_committed_is_sent_again_after_a_restart_old_session_first(tmp_path):
    box = made(tmp_path)
    fill(box, 100)
    entries = box.take("m1", 60, 1200)
    assert box.committed(entries[0].session, "m1", 30)
    box.close()
    again = made(tmp_path)
    fill(again, 50, first=100)
    first = again.take("m1", 60, 1200)
    assert first[0].session == entries[0].session
    assert first[0].session != again.session
    again.unsend("m1")
    assert taken(again)[-120:] == [float(i) for i in range(30, 150)]
    again.close()


def test_a_session_is_not_begun_before_the_last_one_is_committed(tmp_path):
    box = made(tmp_path)
    fill(box, 10)
    box.close()
    again = made(tmp_path)
    fill(again, 10, first=10)
    sent = again.take("m1", 60, 1200)
    assert {k.session for k in sent} == {box.session}
    assert again.take("m1", 60, 1200) == []
    assert again.committed(box.session, "m1", 10)
    assert {k.session for k in again.take("m1", 60, 1200)} == {again.session}
    again.close()


def test_more_than_fits_in_memory_waits_on_disk_in_order(tmp_path, monkeypatch):
    monkeypatch.setattr(outbox_module, "IN_MEMORY", 200)
    monkeypatch.setattr("loadbook.transport.segments.SEGMENT_BYTES", 5_000)
    box = made(tmp_path)
    fill(box, 3000)
    assert box.standing()["waiting"] <= 400
    assert box.standing()["waiting_on_disk_only"]
    got = taken(box)
    fill(box, 100, first=3000)
    got += taken(box)
    assert got == [float(i) for i in range(3100)]
    assert len(list(tmp_path.glob("*.log"))) <= 1
    box.close()


def test_when_full_the_oldest_gives_way_and_is_counted(tmp_path, monkeypatch):
    monkeypatch.setattr("loadbook.transport.segments.SEGMENT_BYTES", 5_000)
    box = made(tmp_path, most_bytes=50_000)
    fill(box, 2000)
    standing = box.standing()
    assert standing["bytes"] <= 55_000
    got = taken(box)
    assert got == [float(i) for i in range(box.dropped, 2000)]
    assert box.dropped > 0
    box.close()


def test_a_long_run_leaves_no_files_behind(tmp_path, monkeypatch):
    monkeypatch.setattr("loadbook.transport.segments.SEGMENT_BYTES", 2_000)
    box = made(tmp_path)
    for start in range(0, 2000, 10):
        fill(box, 10, first=start)
        taken(box)
    assert len(list(tmp_path.glob("*.log"))) <= 1
    box.close()


def test_a_card_that_takes_nothing_costs_nothing_at_once(tmp_path, monkeypatch):
    box = made(tmp_path)
    fill(box, 5)

    monkeypatch.setattr(Segments, "append", no_space)
    fill(box, 5, first=5)
    monkeypatch.undo()
    fill(box, 5, first=10)
    assert taken(box) == [float(i) for i in range(15)]
    box.close()


@given(value=st.floats() | st.sampled_from([1e30, 1e11, -1e15, float("nan"), float("inf")]))
@settings(max_examples=50, deadline=None)
def test_no_value_holds_up_what_waits_behind_it(tmp_path_factory, value):
    box = made(tmp_path_factory.mktemp("box"))
    box.put("m1", Reading(T0, power_w=value, voltage_v=230.0, energy_wh=value), 0)
    box.put("m1", Reading(T0 + 1000, power_w=1.0), 1000)
    entries = box.take("m1", 60, 1200)
    pack = Pack("m1", box.session, 1, tuple(Entry(k.sequence, k.at_ms, k.what) for k in entries))
    back = decode("q", encode("q", pack))
    assert [e.sequence for e in back.entries] == [1, 2]
    box.close()


def test_gaps_are_passed_on_at_most_every_five_seconds(tmp_path):
    box = made(tmp_path)
    fill(box, 1)
    for i in range(1, 60):
        box.gap("m1", T0 + 1000 * i, 1000 * i, "no_answer")
    reasons = [k for k in box.take("m1", 60, 1200) if k.what == "no_answer"]
    assert len(reasons) == 12
    box.close()


def test_a_clock_that_was_set_goes_into_every_meters_line(tmp_path):
    is_set = False
    box = Outbox(tmp_path, boot="b", clock_is_set=lambda: is_set, most_bytes=10**8)
    for meter in ("m1", "m2"):
        fill(box, 5, meter)
    is_set = True
    by_ms = 94_608_000_000
    for i in range(5, 10):
        box.put("m1", Reading(T0 + 1000 * i + by_ms, power_w=1.0), 1000 * i)
    for meter in ("m1", "m2"):
        seen = []
        while entries := box.take(meter, 60, 1200):
            seen += entries
        steps = [k.what for k in seen if isinstance(k.what, Step)]
        assert steps == [Step(T0, by_ms)]
    box.close()


CHILD = """
import sys
from pathlib import Path
from loadbook.reading import Reading
from loadbook.transport.outbox import Outbox
box = Outbox(Path(sys.argv[1]), boot="b", clock_is_set=lambda: True, most_bytes=10**8)
first = int(sys.argv[2])
for i in range(first, first + 1_000_000):
    box.put("m1", Reading(1_790_000_000_000 + 1000 * i, power_w=float(i)), 1000 * i)
    print(i, flush=True)
"""


@pytest.mark.parametrize("kills", [3])
def test_a_kill_loses_nothing_that_was_put(tmp_path, kills):
    reported = -1
    for _ in range(kills):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(tmp_path), str(reported + 1)],
            stdout=subprocess.PIPE, text=True, env=dict(os.environ),
        )  # fmt: skip
        assert child.stdout is not None
        target = reported + 400
        for line in child.stdout:
            reported = int(line)
            if reported >= target:
                child.send_signal(signal.SIGKILL)
                break
        reported = max([reported, *(int(line) for line in child.stdout if line.endswith("\n"))])
        child.wait()
    box = made(tmp_path, "b")
    powers = taken(box)
    assert set(powers) >= {float(i) for i in range(reported + 1)}
    assert powers == sorted(powers)
    box.close()


def quick_box(folder: Path) -> Outbox:
    return Outbox(folder / "card", boot="b1", clock_is_set=lambda: True, most_bytes=10**8, quick=folder / "memory")


def on_card(folder: Path) -> int:
    return sum(path.stat().st_size for path in (folder / "card").glob("*.log"))


def test_what_is_delivered_soon_never_touches_the_card(tmp_path, monkeypatch):
    monkeypatch.setattr("loadbook.transport.segments.SEGMENT_BYTES", 2_000)
    box = quick_box(tmp_path)
    for start in range(0, 1000, 10):
        fill(box, 10, first=start)
        box.settle(overdue=False)
        taken(box)
    assert list((tmp_path / "card").glob("*.log")) == []
    assert len(list((tmp_path / "memory").glob("*.log"))) <= 1
    box.close()
    assert on_card(tmp_path) == 0


def test_what_waits_for_long_is_on_the_card_and_what_follows_goes_there_until_all_is_well(tmp_path):
    box = quick_box(tmp_path)
    fill(box, 100)
    assert on_card(tmp_path) == 0
    box.settle(overdue=True)
    fill(box, 100, first=100)
    assert len([k for p in (tmp_path / "card").glob("*.log") for k in p.read_bytes().splitlines()]) == 200
    assert list((tmp_path / "memory").glob("*.log")) == []
    assert taken(box) == [float(i) for i in range(200)]
    box.settle(overdue=False)
    fill(box, 50, first=200)
    assert on_card(tmp_path) == 0
    assert taken(box) == [float(i) for i in range(200, 250)]
    box.close()


@pytest.mark.parametrize("lost_power", [False, True])
def test_after_a_stop_all_is_there_with_or_without_power_after_a_kill_with_power(tmp_path, lost_power):
    killed = quick_box(tmp_path)
    fill(killed, 30)
    killed.settle(overdue=True)
    fill(killed, 30, first=30)
    killed.settle(overdue=False)
    fill(killed, 30, first=60)  # in memory, and then it is killed
    again = quick_box(tmp_path)
    assert taken(again) == [float(i) for i in range(90)]
    fill(again, 40, first=90)
    again.close()
    if lost_power:
        for path in (tmp_path / "memory").iterdir():
            path.unlink()
    last = quick_box(tmp_path)
    assert taken(last) == [float(i) for i in range(90, 130)]
    assert last.holds() == {last.session}
    last.close()


def test_a_full_card_keeps_it_in_memory_and_a_full_memory_brings_it_to_the_card(tmp_path, monkeypatch):
    box = quick_box(tmp_path)
    fill(box, 20)

    monkeypatch.setattr(os, "fdatasync", no_space)
    box.settle(overdue=True)
    monkeypatch.undo()
    fill(box, 20, first=20)
    assert taken(box) == [float(i) for i in range(40)]
    monkeypatch.setattr(outbox_module, "MOST_QUICK_BYTES", 1_000)
    box.settle(overdue=False)
    fill(box, 100, first=40)
    assert on_card(tmp_path) > 5_000
    assert taken(box) == [float(i) for i in range(40, 140)]
    box.close()


@given(data=st.data())
@settings(max_examples=60)
def test_wherever_it_lies_all_of_it_comes_out_once_and_in_order(tmp_path_factory, data):
    folder = tmp_path_factory.mktemp("box")
    box, put, got = quick_box(folder), 0, []
    for step in data.draw(st.lists(st.sampled_from(["put", "card", "memory", "take", "kill", "stop"]), max_size=25)):
        if step == "put":
            fill(box, 3, first=put)
            put += 3
        elif step in ("card", "memory"):
            box.settle(overdue=step == "card")
        elif step == "take":
            for kept in box.take("m1", 2, 1200):
                got.append(kept.what.power_w)
                box.committed(kept.session, "m1", kept.sequence)
        else:
            if step == "stop":
                box.close()
            box = quick_box(folder)
            box.unsend("m1")
    box.unsend("m1")
    got += taken(box)
    assert sorted(set(got)) == [float(i) for i in range(put)]
    box.close()


def test_a_stop_with_nothing_waiting_leaves_nothing_to_be_sent_again(tmp_path):
    box = made(tmp_path)
    fill(box, 20)
    assert len(taken(box)) == 20
    box.close()
    assert list(tmp_path.glob("*.log")) == []
    again = made(tmp_path)
    assert taken(again) == []
    again.close()


def test_what_a_poller_holds_is_what_its_files_have(tmp_path):
    first = made(tmp_path)
    fill(first, 5)
    first.close()
    second = made(tmp_path)
    fill(second, 5, first=5)
    assert second.holds() == {first.session, second.session}
    taken(second)
    assert second.holds() == {second.session}
    second.close()
