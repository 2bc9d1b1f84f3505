"""What switches beside a heater that stays on is told by its step, whatever the heater draws."""

from __future__ import annotations

import pytest
from charts import machine, phase
from loadbook.assessor import Assessor
from loadbook.judge.limits import Limits
from loadbook.machine import Machine, parse_machine
from loadbook.recognise import beside, prices
from loadbook.recognise.beside import Drew, steps_tell
from loadbook.recognise.chart_model import chart_model
from loadbook.recognise.charted import Charted
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.levels import Levels
from loadbook.recognise.plateau import CHANGED, OUTSIDE, PlateauFinder
from loadbook.recognise.stay import Stay, Suspect
from loadbook.recognise.stretch import Stretch
from washer import CHART, START_MS, Said, on, second, series, still, washer

HEATER, DRUM, PUMP = 0, 1, 3
CALM = 0.001
"""Readings scatter by this share: what a class 1 meter does, from memory."""
HALF_A_MINUTE_S = 30
"""A part that does not belong is said so soon (the contract, section 4)."""
WASHING = (
    phase("fill", "fill", 30, 200, '"valve"'),
    phase("pre", "wash", 60, 200, '"drum_motor"'),
    phase("heat", "heat", 200, 1500, '"heater", "drum_motor"'),
    phase("wash", "wash", 150, 600, '"drum_motor"'),
    phase("drain", "drain", 20, 90, '"pump"'),
)
RINSING = (phase("rinse", "rinse", 60, 300, '"drum_motor"'), phase("last", "drain", 20, 90, '"pump"'))
DISHES = machine((*WASHING, *RINSING))
"""A dishwasher made of the test washer's parts: its circulation is on for all of a phase."""
BEFORE = still(60) + on(8, 60) + on(100, 100)


AGAIN = phase("again", "dry", 100, 400, '"drum_motor"', '"heater"') + "optional = true\n"


def dryer(band: str = "", *more: str) -> Machine:
    """Dries, cools (with its band), does ``more``, loosens."""
    dry = phase("dry", "dry", 300, 900, '"drum_motor"', '"heater"')
    cool = phase("cool", "cool", 100, 400, '"drum_motor"') + band
    loosen = phase("loosen", "wait", 0, 900, "", '"drum_motor"') + "optional = true\n"
    return machine((dry, cool, *more, loosen))


@pytest.mark.parametrize("volts", [True, False])
def test_a_heater_that_is_not_switched_off_is_said_when_the_pump_runs_beside_it(volts: bool) -> None:
    run = on(1980, 600) + on(1908, 45) + on(1980, 120) + on(1908, 45)
    said = Said(BEFORE + run + still(400), DISHES, volts=volts, scatter=CALM)
    found = next(a for a in said.alerts if a.kind == "component_unexpected")
    assert (found.component, found.phase) == ("heater", "drain")
    assert 0 < second(found.raised_ms) - (len(BEFORE) + 600) <= HALF_A_MINUTE_S
    assert {a.kind for a in said.alerts} == {"component_unexpected"}
    assert [p.id for p in said.cycles[0].phases] == ["fill", "pre", "heat", "wash", "drain", "rinse", "last"]


def test_a_small_part_that_takes_over_from_another_is_not_seen_beside_a_heater_nobody_knows() -> None:
    empty, refill = phase("empty", "drain", 10, 60, '"pump"'), phase("refill", "fill", 30, 200, '"valve"')
    rows = (empty, *WASHING, refill, *RINSING)
    run = on(1980, 600) + on(1896, 40) + on(1888, 60) + on(1980, 120) + on(1896, 45)
    said = Said(still(60) + on(16, 30) + on(8, 60) + on(100, 100) + run + still(400), machine(rows), False, CALM)
    assert [p.id for p in said.cycles[0].phases] == [
        "empty", "fill", "pre", "heat", "wash", "drain", "refill", "rinse", "last",
    ]  # fmt: skip
    assert {a.kind for a in said.alerts} == {"component_unexpected"}


def test_a_step_is_what_comes_on_less_what_goes_off() -> None:
    levels = Levels.of(chart_model(DISHES, Limits()))
    levels.learn_usual(DRUM, 100.0 + levels.base_w)
    levels.learn_usual(PUMP, 28.0 + levels.base_w)
    heat = levels.chart.programmes[0].phases[2]
    both, pumping, alone = 1 << HEATER | 1 << DRUM, 1 << HEATER | 1 << PUMP, 1 << HEATER

    def odd(watts: float, after: int) -> float:
        level = Stretch(START_MS, 0, 1980.0 + watts, None, settled_w=1980.0, first_w=1980.0 + watts)
        return beside.odd(levels, heat, both, after, level)

    assert odd(-15.0, both) == 0.0  # the flow may change
    assert odd(-72.0, both) == 1.0
    assert odd(-72.0, pumping) == 0.0
    assert odd(-100.0, alone) == 0.0
    assert odd(-30.0, alone) == 1.0
    assert odd(-1880.0, 1 << DRUM) == 0.0  # no heater stays on
    assert odd(-800.0, both) == 0.0  # nothing beside it draws so much: it is the heater's own


@pytest.mark.parametrize("volts", [True, False])
def test_a_heater_that_stays_on_while_the_drum_only_loosens_has_not_been_switched_off(volts: bool) -> None:
    loosen = (on(2000, 40) + on(2180, 12)) * 8
    said = Said(still(60) + on(2180, 700) + loosen + still(900), dryer("", AGAIN), volts=volts, scatter=CALM)
    found = said.one("component_unexpected")
    assert (found.component, found.phase) == ("heater", "loosen")
    assert 0 < second(found.raised_ms) - (60 + 700) <= HALF_A_MINUTE_S
    assert len(said.alerts) == 1


def test_a_heater_that_has_come_on_again_hides_no_phase_before_that() -> None:
    """The thermostat works, and a drum that reverses stops for three seconds: drying goes on for too long."""
    run = (on(2180, 100) + on(180, 60)) * 5 + on(2180, 100) + (on(180, 60) + on(2180, 40) + on(2000, 3)) * 4
    run += on(180, 200)
    said = Said(still(60) + run + still(900), dryer(), scatter=CALM)
    assert said.kinds() == [("phase_too_long", "dry", None)]
    assert [p.id for p in said.cycles[0].phases][:2] == ["dry", "cool"]
    assert second(said.cycles[0].phases[1].start_ms) >= 60 + len(run) - 201


def test_a_part_that_heats_is_named_before_a_band() -> None:
    levels = Levels.of(chart_model(dryer("power_w = { low = 90.0, high = 250.0 }\n"), Limits()))
    cool = levels.chart.programmes[0].phases[1]
    faults = {option.faults for w in (2180, 1990) for option in levels.explain(cool, w, 230.0)}
    assert (("unexpected", HEATER),) in faults
    assert ("phase_high", -1) not in {fault for row in faults for fault in row}
    levels.learn_resistive(HEATER, 2000, 230.0, 60_000, 60_000)
    alone = {option.faults for option in levels.explain(cool, 2000, 230.0)}
    assert (("unexpected", HEATER), ("missing", DRUM)) in alone
    assert ("phase_high", -1) not in {fault for row in alone for fault in row}
    assert ("phase_high", -1) in {fault for o in levels.explain(cool, 265.0, 230.0) for fault in o.faults}


def test_a_heater_that_was_well_does_not_grow_weak_all_at_once() -> None:
    chart = chart_model(washer(), Limits())
    story = Story(0, START_MS, 0, Stay(1, START_MS, START_MS, 0), chart.programmes[0].phases[1])
    weak = ("low", HEATER)
    assert story.price_in_full(weak) == prices.PRICE["low"]
    story.now.seen_ms[HEATER] = 60_000
    assert story.price_in_full(weak) == prices.PRICE["low"] + prices.OFF_LATER
    story.now.suspects[weak] = Suspect(START_MS, ms=60_000)
    assert story.price_in_full(weak) == prices.PRICE["low"]  # it has been so all the time


def test_what_drew_before_a_level_stays_known_however_often_the_level_is_looked_at() -> None:
    drew = Drew()
    drew.see(1, 1_000)
    drew.see(3, 5_000)
    drew.see(1, 5_000)
    assert drew.until(5_000) == (1, 1_000)
    assert drew.until(9_000) == (1, 1_000)
    drew.see(3, 9_000)
    assert drew.until(9_000) == (1, 1_000)
    assert drew.until(12_000) == (3, 9_000)


def test_steps_tell_beside_a_heater_only_where_no_motor_comes_and_goes_with_it() -> None:
    assert steps_tell(DISHES)
    assert not steps_tell(parse_machine(CHART, "washer.toml"))


def test_between_two_phases_that_look_the_same_none_is_left_out_rather_than_one_too_long() -> None:
    run = (on(2180, 150) + on(180, 10)) * 8 + on(180, 200)
    said = Said(still(60) + run + still(900), dryer("", AGAIN), scatter=CALM)
    assert said.kinds() == [("phase_too_long", "dry", None)]


def test_a_reading_that_has_only_drifted_is_still_of_the_old_level() -> None:
    finder = PlateauFinder(fine=True)
    for k in range(20):
        finder.step(k * 4_000, 1_600_000 + 2_000 * (k % 2))
    assert finder.step(80_000, 1_583_000) == OUTSIDE
    assert finder.step(84_000, 66_000) == CHANGED
    assert (finder.start_ms, finder.from_last_mw) == (84_000, 1_583_000)
    finder.step(88_000, 66_000)
    assert finder.step(92_000, 900_000) == OUTSIDE  # in between: what was on both sides of the switch, for all we know
    assert finder.step(96_000, 1_600_000) == CHANGED
    assert (finder.start_ms, finder.from_last_mw) == (92_000, 66_000)


def test_what_a_level_was_taken_for_is_not_judged_by_what_it_drifts_to(monkeypatch: pytest.MonkeyPatch) -> None:
    """A known heater that fades would be told for another one, and all the minutes before with it."""
    cut, at_s = Charted._cut, []
    monkeypatch.setattr(Charted, "_cut", lambda self, level, now: at_s.append(now.at_ms) or cut(self, level, now))

    def cuts(fade_w: int) -> int:
        at_s.clear()
        fading = [w - fade_w * k / 100 for k, w in enumerate(on(1980, 100))]
        Assessor(DISHES, Limits()).feed_series(series(BEFORE + on(1980, 60) + fading, scatter=CALM))
        return len(at_s)

    assert cuts(30) > cuts(0)


def test_a_part_that_was_missing_before_excuses_a_later_phase_that_takes_its_time_as_well() -> None:
    """Else leaving the first heating out and missing the heater in the second would be the cheaper story."""
    chart = chart_model(washer(), Limits())
    story = Story(0, START_MS, 0, Stay(1, START_MS, START_MS, 0), chart.programmes[0].phases[1])
    gone = ("missing", HEATER)
    story.known = frozenset((gone,))
    assert story.excused() == 1.0
    story.now.suspects[gone] = Suspect(START_MS, ms=60_000, paid=story.price_in_full(gone))
    assert story.excused() == prices.TOO_LONG_ALIKE


def test_a_short_level_beside_the_heater_is_a_transition_one_without_it_is_none() -> None:
    cold_w = 300.0
    reversing = Stretch(START_MS, 0, 2000.0, None, n=3, level_ms=START_MS)
    assert not reversing.settled(START_MS + 3_000, cold_w)
    assert reversing.settled(START_MS + 5_000, cold_w)
    single = Stretch(START_MS, 0, 1100.0, None, n=1, level_ms=START_MS)
    assert not single.settled(START_MS + 9_000, cold_w)
    assert Stretch(START_MS, 0, 3.5, None, n=1, level_ms=START_MS).settled(START_MS + 1_000, cold_w)


@pytest.mark.parametrize("band", ["", "power_w = { low = 90.0, high = 250.0 }\n"])
def test_what_only_a_heater_can_draw_is_dear_where_none_comes_any_more(band: str) -> None:
    """Half a heater, or one and a half, in a last tumble: rather another cycle has begun."""
    last = phase("loosen", "wait", 0, 900, "", '"drum_motor"') + "optional = true\n" + band
    drying = phase("dry", "dry", 300, 900, '"drum_motor"', '"heater"')
    levels = Levels.of(chart_model(machine((drying, last)), Limits()))
    loosen = levels.chart.programmes[0].phases[1]
    for watts, kind in ((1100.0, "heats"), (3200.0, "heats"), (265.0, "phase_high" if band else "high")):
        assert (kind, -1 if kind != "high" else DRUM) in {
            f for o in levels.explain(loosen, watts, 230.0) for f in o.faults
        }
    assert prices.PRICE["heats"] >= prices.PRICE["unexpected"] + prices.HEATS_IN_THE_END
