"""One core, live and offline: the same answer however the readings are cut, and after a restart in the middle."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.assessment import Found
from loadbook.assessor import Assessor
from loadbook.events import AlertChanged, Cycle, Event, StateChanged
from loadbook.judge.limits import Limits
from loadbook.machine import Machine, parse_machine
from loadbook.reading import Reading, Series, series_of

MACHINE = """
[machine]
id = "quay-washer-1"
name = "Washer 1"
kind = "washing_machine"
standby_w = 1.2
[[component]]
id = "heater"
nature = "resistive"
rated_w = 1900.0
[[component]]
id = "drum_motor"
nature = "motor"
rated_w = 180.0
[[component]]
id = "valve"
nature = "solenoid"
rated_w = 7.0
[[component]]
id = "pump"
nature = "motor"
rated_w = 30.0
[[programme]]
id = "mixed"
[[programme.phase]]
id = "fill"
stage = "fill"
on = ["valve"]
min_s = 20.0
max_s = 120.0
[[programme.phase]]
id = "heat"
stage = "heat"
on = ["heater"]
pulsing = ["drum_motor"]
min_s = 100.0
max_s = 400.0
[[programme.phase]]
id = "wash"
stage = "wash"
pulsing = ["drum_motor"]
min_s = 60.0
max_s = 300.0
[[programme.phase]]
id = "drain"
stage = "drain"
on = ["pump"]
min_s = 20.0
max_s = 90.0
"""


def machine() -> Machine:
    return parse_machine(MACHINE, "washer.toml")


def run_series(seed: int, with_volts: bool, every_s: float = 1.0) -> Series:
    """An untidy run: gaps, spikes, a lost supply, with noise."""
    rng = np.random.default_rng(seed)
    watts: list[float] = [1.2] * 90
    watts += [8.2] * int(rng.integers(20, 140))
    heat = rng.choice([1.0, 0.5, 0.0])
    for _ in range(int(rng.integers(6, 30))):
        watts += [1.2 + 1850 * heat + 150] * 10 + [1.2 + 1850 * heat] * 6
    for _ in range(int(rng.integers(4, 15))):
        watts += [151.0] * 10 + [1.2] * 6
    watts += [29.0] * int(rng.integers(0, 100)) + [1.2] * 400
    power = np.array(watts) * rng.normal(1, 0.004, len(watts))
    at_ms = 1_700_000_000_000 + (np.arange(len(watts)) * every_s * 1000).astype(np.int64)
    keep = rng.random(len(watts)) > 0.02
    for _ in range(2):
        start = int(rng.integers(0, len(watts)))
        keep[start : start + int(rng.integers(1, 200))] = False
    keep[0] = True
    power[rng.integers(0, len(watts), 3)] *= 2
    volts = np.round(rng.normal(230, 0.5, len(watts)) - 0.6 * power / 230, 1)
    if rng.random() < 0.3:
        start = int(rng.integers(0, len(watts)))
        power[start : start + 40], volts[start : start + 40] = 0.0, 0.0
    return Series(
        at_ms=at_ms[keep],
        power_w=np.round(power, 1)[keep],
        voltage_v=volts[keep] if with_volts else None,
        frequency_hz=np.full(int(keep.sum()), 50.0 if seed % 3 else 48.0) if with_volts else None,
    )


def form(events: list[Event]) -> list[str]:
    return sorted(f"{event.at_ms} {event!r}" for event in events)


def whole(series: Series) -> list[str]:
    assessor = Assessor(machine(), Limits())
    return form(assessor.feed_series(series) + assessor.finish())


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), with_volts=st.booleans(), every_s=st.sampled_from([0.5, 1.0, 4.0]))
def test_one_by_one_is_the_same_as_whole(seed: int, with_volts: bool, every_s: float) -> None:
    series = run_series(seed, with_volts, every_s)
    assessor = Assessor(machine(), Limits())
    events = [event for reading in series.readings() for event in assessor.feed(reading)]
    assert form(events + assessor.finish()) == whole(series)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), with_volts=st.booleans(), data=st.data())
def test_cut_anywhere_saved_and_restored_is_the_same_as_whole(seed: int, with_volts: bool, data: st.DataObject) -> None:
    series = run_series(seed, with_volts)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(series)), max_size=6)))
    assessor = Assessor(machine(), Limits())
    events: list[Event] = []
    for first, last in zip([0, *cuts], [*cuts, len(series)], strict=True):
        events += assessor.feed_series(series.slice(first, last))
        state = json.loads(json.dumps(assessor.save()))
        assessor = Assessor.restore(machine(), Limits(), None, state)
    assert form(events + assessor.finish()) == whole(series)


def test_a_reading_from_the_past_is_refused_until_the_clock_has_been_set_back_for_good() -> None:
    assessor = Assessor(None)
    start_ms = 1_700_000_000_000
    assessor.feed(Reading(start_ms, 1.0))
    assessor.feed(Reading(start_ms - 5_000, 1.0))
    assert assessor.refused == 1
    for k in range(80):
        assessor.feed(Reading(start_ms - 3_600_000 + k * 1000, 1.0))
    assert assessor.seen_ms == start_ms - 3_600_000 + 79_000


def alerts(events: list[Event]) -> list[AlertChanged]:
    return [event for event in events if isinstance(event, AlertChanged)]


@pytest.mark.parametrize("live", [True, False])
def test_silence_is_raised_at_its_moment_and_cleared_by_the_next_reading(live: bool) -> None:
    assessor = Assessor(None)
    assessor.feed(Reading(1_000_000, 1.0))
    found = assessor.tick(1_059_999)
    if live:
        found += assessor.tick(1_060_000) + assessor.tick(1_070_000)
    found += assessor.feed(Reading(1_100_000, 1.0))
    raised, cleared = alerts(found)
    assert (raised.alert.kind, raised.alert.began_ms, raised.alert.raised_ms) == ("meter_silent", 1_000_000, 1_060_000)
    assert cleared.alert.cleared_ms == 1_100_000


def test_ten_minute_means_and_not_single_readings_are_judged() -> None:
    rows = [Reading(k * 1000, 1.0, voltage_v=200.0 if k % 2 else 235.0) for k in range(1, 1300)]
    assert not alerts(Assessor(None).feed_series(series_of(rows)))
    rows = [Reading(k * 1000, 1.0, voltage_v=206.0 if k > 700 else 230.0) for k in range(1, 1500)]
    found = alerts(Assessor(None).feed_series(series_of(rows)))
    assert [a.alert.kind for a in found] == ["supply_voltage"]
    assert found[0].alert.began_ms == 710_000  # the first ten seconds that were wholly below
    assert found[0].alert.measured is not None
    assert found[0].alert.measured < 207


def test_source_impedance_is_the_dip_over_the_step() -> None:
    rows = []
    for k in range(1, 400):
        on = (k // 40) % 2
        amps = 8.0 if on else 0.0
        rows.append(Reading(k * 1000, amps * 220, voltage_v=230 - 2.0 * amps, current_a=amps))
    found = alerts(Assessor(None).feed_series(series_of(rows)))
    assert [a.alert.kind for a in found] == ["supply_impedance"]
    assert found[0].alert.measured == pytest.approx(2.0, abs=0.01)


def states(events: list[Event]) -> list[tuple[str, int]]:
    return [(e.state, e.since_ms) for e in events if isinstance(e, StateChanged)]


T0 = 1_700_000_000_000


def steady(first_s: int, last_s: int, power_w: float, voltage_v: float | None = 230.0) -> list[Reading]:
    return [Reading(T0 + s * 1000, power_w, voltage_v) for s in range(first_s, last_s)]


def fed(assessor: Assessor, readings: list[Reading]) -> list[Event]:
    return [event for reading in readings for event in assessor.feed(reading)]


@pytest.mark.parametrize("known", [True, False])
def test_a_machine_that_idles_is_said_to_idle_at_the_first_reading_and_after_a_silence(known: bool) -> None:
    assessor = Assessor(machine() if known else None)
    assert states(fed(assessor, steady(0, 100, 1.2))) == [("idle", T0)]
    assert states(assessor.tick(T0 + 200_000)) == [("silent", T0 + 99_000)]
    assert states(fed(assessor, steady(210, 300, 1.2))) == [("idle", T0 + 210_000)]


def test_a_machine_that_draws_at_the_first_reading_is_not_said_to_idle() -> None:
    events = fed(Assessor(machine()), steady(0, 60, 8.2))
    assert [state for state, _ in states(events)] == ["running"]


def test_after_a_silence_or_a_power_cut_in_a_cycle_its_phase_is_said_again() -> None:
    for lost in (False, True):
        assessor = Assessor(machine(), Limits())
        before = fed(assessor, steady(0, 5, 1.2) + steady(5, 65, 8.2) + steady(65, 200, 1852.0))
        if lost:
            before += fed(assessor, steady(200, 230, 0.0, 0.0))
        after = fed(assessor, steady(280 if not lost else 230, 340, 1852.0))
        said = [(e.state, e.phase) for e in before + after if isinstance(e, StateChanged)]
        assert said[0] == ("idle", None)
        away = said.index(("no_power" if lost else "silent", None))
        assert said[away - 1][0] == said[away + 1][0] == "running"
        assert lost or said[away + 1] == ("running", "heat")


def last_known(events: list[Event]) -> list[Cycle]:
    found = Found()
    found.apply(events)
    return [found.by_key[key] for key in sorted(found.by_key)]


RUN = (
    steady(0, 5, 1.2) + steady(5, 65, 8.2) + steady(65, 200, 1852.0) + steady(200, 300, 151.0) + steady(300, 340, 29.0)
)


@pytest.mark.parametrize("known", [True, False])
def test_a_cycle_whose_meter_falls_silent_right_after_its_last_action_is_over_half_an_hour_later(known: bool) -> None:
    plate = machine() if known else parse_machine(MACHINE.split("[[programme]]", maxsplit=1)[0], "washer.toml")
    assessor = Assessor(plate, Limits())
    events = fed(assessor, RUN + steady(340, 350, 1.2))
    (before,) = last_known(events)
    assert before.outcome == "running"
    events += assessor.tick(T0 + 349_000 + 1_810_000)
    assert last_known(events)[0].outcome == "running"
    events += assessor.tick(T0 + 349_000 + 1_810_001)
    (after,) = last_known(events)
    assert (after.outcome, after.end_ms) == ("completed", T0 + 340_000)
    assert assessor.tick(T0 + 349_000 + 9_000_000) == []
    later = fed(assessor, [Reading(r.at_ms + 20_000_000, r.power_w, r.voltage_v) for r in RUN])
    assert [c.start_ms for c in last_known(events + later)] == [before.start_ms, before.start_ms + 20_000_000]


def test_a_cycle_that_never_came_back_from_a_silence_ends_where_it_was_heard_last() -> None:
    """Also where the next thing heard is another cycle, drawing from its first reading on."""
    for tail in (RUN, RUN + steady(340, 345, 1.2), RUN[:150]):
        assessor = Assessor(machine(), Limits())
        later = [Reading(r.at_ms + 20_000_000, r.power_w, r.voltage_v) for r in RUN[5:] + steady(340, 500, 1.2)]
        first, second = last_known(fed(assessor, tail + later) + assessor.finish())
        assert first.end_ms <= tail[-1].at_ms + 1000
        assert first.outcome == ("completed" if len(tail) > 300 else "stopped_early")
        assert second.outcome == "completed"


@settings(max_examples=30)
@given(seed=st.integers(0, 10_000), known=st.booleans(), data=st.data())
def test_ticks_say_sooner_what_the_next_reading_says_anyhow(seed: int, known: bool, data: st.DataObject) -> None:
    parts = [run_series(seed + i, True) for i in range(2)]
    gap_s = data.draw(st.integers(10, 7200))
    parts[1].at_ms = parts[1].at_ms + int(parts[0].at_ms[-1]) - int(parts[1].at_ms[0]) + gap_s * 1000
    cut = data.draw(st.integers(len(parts[0]) // 2, len(parts[0])))
    readings = [*list(parts[0].readings())[:cut], *parts[1].readings()]
    plate = machine() if known else None
    heard, ticked = Assessor(plate, Limits()), Assessor(plate, Limits())
    events, sooner = [], []
    for reading in readings:
        if ticked.seen_ms > 0:
            for at_ms in range(ticked.seen_ms + 5_000, reading.at_ms, 5_000):
                sooner += ticked.tick(at_ms)
        sooner += ticked.feed(reading)
        events += heard.feed(reading)
    assert last_known(sooner) == last_known(events)
    found, ours = Found(), Found()
    found.apply(events)
    ours.apply(sooner)
    assert ours.alert_by_key == found.alert_by_key
    assert json.dumps(ticked.save()) == json.dumps(heard.save())
