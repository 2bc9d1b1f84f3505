"""A programme right after another whose last phase may have gone on: each is told as its own, once that is known."""

from __future__ import annotations

from charts import machine, phase
from drawn import last_known
from loadbook.assessor import Assessor
from loadbook.recognise.charted import Charted
from washer import START_MS, Said, on, series, still

CHART = (
    phase("fill", "fill", 4, 151, '"valve"'),
    phase("wash", "wash", 240, 3000, '"drum_motor"', '"heater"'),
    phase("drain", "drain", 6, 147, '"pump"'),
    phase("refill", "fill", 4, 151, '"valve"'),
    phase("rinse", "rinse", 130, 2240, "", '"drum_motor", "heater", "pump"'),
)
"""The last phase may draw whatever the others do, the valve passing for a weak pump, and may last nearly as long as it
and another programme after it: half a minute more is said to be too long, until the other is known for what it is."""
DRUM_W, HEATER_W, PUMP_W, VALVE_W = 150.0, 1850.0, 28.0, 8.0
RUN = (
    on(VALVE_W, 33) + on(DRUM_W, 100) + on(DRUM_W + HEATER_W, 600) + on(DRUM_W, 300) + on(PUMP_W, 40) + on(VALVE_W, 33)
    + on(DRUM_W, 60) + on(DRUM_W + HEATER_W, 300) + on(DRUM_W, 180) + on(PUMP_W, 25)
)  # fmt: skip
BEFORE_S, BETWEEN_S = 60, 40
BOTH = still(BEFORE_S) + RUN + still(BETWEEN_S) + RUN + still(2400)
ENDS_S = (BEFORE_S + len(RUN), BEFORE_S + 2 * len(RUN) + BETWEEN_S)


def test_two_programmes_are_two_cycles_though_the_first_was_said_to_go_on() -> None:
    said = Said(BOTH, machine(CHART))
    assert [c.outcome for c in said.cycles] == ["completed", "completed"]
    for cycle, end_s in zip(said.cycles, ENDS_S, strict=True):
        assert abs((cycle.end_ms - START_MS) / 1000 - end_s) <= 2
        assert abs((cycle.start_ms - START_MS) / 1000 - (end_s - len(RUN))) <= 2
    assert said.kinds() == []


def test_a_cycle_that_was_said_to_be_over_with_the_second_ends_before_it_after_all() -> None:
    """Which of both the cheaper story is may change once all stands still: then the first is on record already."""
    assessor = Assessor(machine(CHART))
    events = assessor.feed_series(series(BOTH))
    tracker = assessor.tracker
    assert isinstance(tracker, Charted)
    assert tracker.key_ms is not None
    assert tracker.key_ms < START_MS + ENDS_S[0] * 1000  # until the log ends nobody knows better
    tracker.over, tracker.told_end_ms = True, START_MS + ENDS_S[1] * 1000
    cycles, _ = last_known(events + assessor.finish())
    assert [round((c.end_ms - START_MS) / 1000) for c in cycles] == list(ENDS_S)
