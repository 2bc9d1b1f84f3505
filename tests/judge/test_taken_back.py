"""Alerts that come and go."""

from __future__ import annotations

import json
from math import log2

from hypothesis import given
from hypothesis import strategies as st
from loadbook.events import Alert, Cause
from loadbook.judge.taken_back import FREE, WAIT_MS, TakenBack

NAME = "0/phase_too_long/2/-1"


def alert() -> Alert:
    return Alert("phase_too_long", 1_000, 5_000, cleared_ms=9_000, phase="wash", causes=[Cause("a", "b", "c")])


def flap(gone: TakenBack, hours: float, every_ms: int) -> int:
    """How often an alert comes back whose ground comes and goes with every stroke."""
    n = 0
    gone.put(NAME, alert(), 0)
    for at_ms in range(0, round(hours * 3_600_000), every_ms):
        if NAME in gone.alerts and not gone.waits(NAME, at_ms):
            assert gone.pop(NAME) is not None
            n += 1
            gone.put(NAME, alert(), at_ms)
    return n


@given(st.integers(1_000, 60_000))
def test_what_comes_and_goes_for_a_night_is_told_a_dozen_times(every_ms: int) -> None:
    assert flap(TakenBack(), 10, every_ms) <= FREE + log2(10 * 3_600_000 / WAIT_MS) + 1


def test_it_may_come_back_at_once_and_then_waits_twice_as_long_each_time() -> None:
    gone = TakenBack()
    for n, wait_ms in enumerate((0, WAIT_MS, 2 * WAIT_MS, 4 * WAIT_MS)):
        at_ms = n * 10_000_000
        gone.put(NAME, alert(), at_ms)
        assert gone.waits(NAME, at_ms + wait_ms - 1) == (wait_ms > 0)
        assert not gone.waits(NAME, at_ms + wait_ms)
        back = gone.pop(NAME)
        assert back is not None
        assert (back.raised_ms, back.cleared_ms) == (5_000, None)
    gone.put(NAME, alert(), 0)
    gone.forgive()
    assert not gone.waits(NAME, 0)


def test_it_is_saved_and_read_also_as_it_was_saved_before_times_were_counted() -> None:
    gone = TakenBack()
    for n in range(4):
        gone.put(NAME, alert(), n)
    state = json.loads(json.dumps(gone.save()))
    assert TakenBack.restore(state) == gone
    assert TakenBack.restore(state["alerts"]).alerts == gone.alerts
    assert TakenBack.restore({}).alerts == {}
