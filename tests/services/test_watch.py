"""What is watched and taken in: once, in order, the same after a restart, and what was only suspected is taken back."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.assessment import Found
from loadbook.events import AlertChanged, StateChanged
from loadbook.files import find_log, load_causes
from loadbook.judge.limits import Limits
from loadbook.logs import read_log
from loadbook.machine import parse_machine
from loadbook.reading import Reading
from loadbook.services.intake import Intake
from loadbook.services.watch import Watch
from loadbook.store.ledger import SavedAssessor
from loadbook.transport.packs import Entry, Pack

PLATE = '[machine]\nid = "quay-washer-1"\nname = "Washer 1"\nkind = "washing_machine"\nstandby_w = 1.2\n'
MACHINE = parse_machine(PLATE, "washer.toml")
LOG = read_log(find_log(Path("washer-healthy"))).series
T0 = int(LOG.at_ms[0])
READINGS = list(LOG.readings())


def watch() -> Watch:
    return Watch(MACHINE, "m1", Limits(), load_causes())


def through_disk(saved: SavedAssessor) -> SavedAssessor:
    return SavedAssessor(saved.at_ms, saved.shift_ms, json.loads(json.dumps(saved.state)))


def found(events) -> tuple[dict, set[str]]:
    heard = Found()
    heard.apply(events)
    return {k: c.as_contract() for k, c in heard.by_key.items()}, set(heard.alert_by_key)


@pytest.fixture(scope="module")
def in_peace():
    return found(watch().feed_series(LOG))


def test_restarts_and_repeats_change_nothing(in_peace):
    watched, events = watch(), []
    for i in range(0, len(READINGS), 600):
        for reading in READINGS[max(0, i - 50) : i + 600]:  # the last fifty come again
            events += watched.feed(reading)
        again = watch()
        assert again.restore(through_disk(watched.saved()))
        watched = again
    assert found(events) == in_peace


def test_a_moved_time_line_moves_all_that_is_said_and_nothing_else(in_peace):
    by_ms, half = 94_608_000_000, len(READINGS) // 2
    watched = watch()
    before = [e for r in READINGS[:half] for e in watched.feed(r)]
    watched.move(by_ms)
    after = []
    for r in READINGS[half:]:
        values = {n: getattr(r, n) for n in Reading.__slots__ if n != "at_ms"}
        after += watched.feed(Reading(r.at_ms + by_ms, **values))
    (cycle,), _ = (found(after)[0].values(), None)
    (peace,) = in_peace[0].values()
    assert [p["stage"] for p in cycle["phases"]] == [p["stage"] for p in peace["phases"]]
    assert cycle["energy_kwh"] == peace["energy_kwh"]
    key_ms = next(iter(found(before)[0]))
    assert list(found(after)[0]) == [key_ms + by_ms]


def test_a_silence_that_was_none_is_taken_back():
    watched = watch()
    events = [e for r in READINGS[:900] for e in watched.feed(r)]
    last_ms = READINGS[899].at_ms
    suspected = watched.suspect(last_ms + 90_000)
    assert [e.alert.kind for e in suspected if isinstance(e, AlertChanged)] == ["meter_silent"]
    assert watched.suspect(last_ms + 95_000) == []
    again = watch()
    assert again.restore(through_disk(watched.saved()))  # also when the recorder was killed in between
    for other in (watched, again):
        back = [e for r in READINGS[900:1000] for e in other.feed(r)]
        assert [e.withdrawn for e in back if isinstance(e, AlertChanged)] == [True]
        assert next(e.state for e in back if isinstance(e, StateChanged)) == "running"
    assert events


def test_a_silence_that_was_one_stays():
    watched = watch()
    for r in READINGS[:900]:
        watched.feed(r)
    suspected = watched.suspect(READINGS[899].at_ms + 90_000)
    (key,) = [e.alert.key for e in suspected if isinstance(e, AlertChanged)]
    back = [e for r in READINGS[1100:1110] for e in watched.feed(r)]
    assert {e.alert.key for e in back if isinstance(e, AlertChanged)} == {key}
    assert not any(e.withdrawn for e in back if isinstance(e, AlertChanged))


def test_a_state_of_another_form_is_not_read():
    assert not watch().restore(SavedAssessor(1, 0, {}))
    assert not watch().restore(SavedAssessor(1, 0, {"form": 1, "said": None, "suspected": [], "assessor": {}}))


def test_a_state_under_another_chart_is_not_read():
    watched = watch()
    watched.feed(READINGS[0])
    other = parse_machine(PLATE.replace("standby_w = 1.2", "standby_w = 2.0"), "washer.toml")
    assert watch().restore(through_disk(watched.saved()))
    assert not Watch(other, "m1", Limits(), load_causes()).restore(through_disk(watched.saved()))


def pack(first: int, n: int, oldest: int, session: str = "s") -> Pack:
    entries = tuple(Entry(first + i, T0 + i, Reading(T0 + i, power_w=1.0)) for i in range(n))
    return Pack("m1", session, oldest, entries)


def test_intake_takes_each_once_and_asks_for_what_is_missing():
    intake = Intake({("s", "m1"): 10})
    assert [e.sequence for e in intake.accept(pack(9, 4, 9)).fresh] == [11, 12]
    assert intake.accept(pack(9, 4, 9)).known
    assert intake.accept(pack(20, 5, 11)).wanted == 13
    assert next(e.sequence for e in intake.accept(pack(20, 5, 20)).fresh) == 20  # 13..19 will never come
    assert intake.lost == 7
    assert intake.accept(pack(5, 1, 3, "new")).wanted == 3
    assert [e.sequence for e in intake.accept(pack(3, 3, 3, "new")).fresh] == [3, 4, 5]


def test_a_hole_is_passed_over_when_only_what_cannot_be_read_comes_of_it():
    intake = Intake({("s", "m1"): 10})

    def later(now_s: float, **came: int) -> bool:
        for mark, times in came.items():
            for _ in range(times):
                intake.unreadable("m1", hash(mark))
        return intake.accept(pack(13, 2, 1), now_s).wanted is None

    assert not later(0.0, a=5)  # what came before it was asked for proves nothing
    assert not later(100.0)
    assert not later(200.0, a=2, b=2)  # different messages: perhaps others on their way
    assert not intake.unreadable("m2", 1)
    assert later(201.0, a=1)
    assert (intake.passed_over, intake.taken["s", "m1"]) == (2, 14)
    assert not later(300.0, a=9) or intake.passed_over == 2


def test_a_hole_that_is_filled_is_not_passed_over():
    intake = Intake({("s", "m1"): 10})
    assert intake.accept(pack(13, 2, 1), 0.0).wanted == 11
    for _ in range(9):
        intake.unreadable("m1", 1)
    assert [e.sequence for e in intake.accept(pack(11, 2, 1), 90.0).fresh] == [11, 12]
    assert [e.sequence for e in intake.accept(pack(13, 2, 1), 90.0).fresh] == [13, 14]
    assert intake.passed_over == 0


@given(data=st.data())
@settings(max_examples=100, deadline=None)
def test_whatever_arrives_however_often_each_is_taken_once_in_order(data):
    intake, got = Intake({}), []
    for _ in range(60):
        first = data.draw(st.integers(1, 40))
        n = data.draw(st.integers(1, 12))
        got += [e.sequence for e in intake.accept(pack(first, n, 1)).fresh]
    for first in range(1, 52, 10):
        got += [e.sequence for e in intake.accept(pack(first, 10, 1)).fresh]
    assert got[:51] == list(range(1, len(got[:51]) + 1))
    assert len(got) == len(set(got))
