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

    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Segments, "append", full)
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
