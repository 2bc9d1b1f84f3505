"""The order of phases: one left out, one before its time, one that seems to be another; told by what parts draw."""

from __future__ import annotations

import pytest
from charts import machine, phase
from loadbook.machine import Machine
from washer import Said, drum, on, second, still

FIRST = phase("first-drain", "drain", 5, 60, '"pump"')
FILL = phase("fill", "fill", 30, 200, '"valve"')
HEAT = phase("heat", "heat", 200, 900, '"heater"', '"drum_motor"')
WASH = phase("wash", "wash", 150, 900, "", '"drum_motor"')
DRAIN = phase("drain", "drain", 20, 90, '"pump"')
REFILL = phase("rinse-fill", "fill", 30, 200, '"valve"')
RINSE = phase("rinse", "rinse", 100, 300, "", '"drum_motor"')
LAST = phase("last-drain", "drain", 20, 90, '"pump"')
PUMP_W, VALVE_W = 28.0, 8.0


def washer() -> Machine:
    return machine((FIRST, FILL, HEAT, WASH, DRAIN, REFILL, RINSE, LAST))


def washed() -> list[float]:
    """Up to the end of the wash."""
    return still(60) + on(PUMP_W, 15) + on(VALVE_W, 80) + drum(420, under_w=1880) + drum(300)


def test_a_pump_that_was_off_in_the_fill_has_not_stayed_on_and_the_rinse_is_missing() -> None:
    refill = phase("rinse-fill", "fill", 30, 200, '"valve"', '"drum_motor"')
    chart = machine((FIRST, FILL, HEAT, WASH, DRAIN, refill, RINSE, LAST))
    turning = (on(VALVE_W + 150, 8) + on(VALVE_W, 12)) * 4
    dry_w, wet_w = 23.0, 31.0  # what the pump draws with the valve, if it draws what it did, it draws alone under water
    run = still(60) + on(dry_w, 15) + on(VALVE_W, 80) + drum(420, under_w=1880) + drum(300) + on(dry_w, 45)
    said = Said(run + turning + on(wet_w, 45) + still(400), chart)
    assert said.kinds() == [("phase_missing", "rinse", None)]


def test_an_overlong_drain_is_no_pump_in_the_wash() -> None:
    """Nor has the wash gone on until the drain's time was up, the pump foreign in it."""
    run = washed() + on(PUMP_W, 260) + on(PUMP_W * 0.7, 60) + on(VALVE_W, 80) + drum(200) + on(PUMP_W, 45) + still(400)
    assert Said(run, washer()).kinds() == [("phase_too_long", "drain", None)]


def test_a_drain_before_the_wash_is_out_of_order_and_no_foreign_pump() -> None:
    """Even where the spin, that begins with its pump alone, would do for the drain that was due."""
    drain = phase("drain", "drain", 12, 90, '"pump"')
    spin = phase("spin", "spin", 60, 300, '"pump"', '"drum_motor"')
    run = still(60) + on(PUMP_W, 15) + on(VALVE_W, 80) + drum(420, under_w=1880)
    run += on(PUMP_W, 60) + drum(300) + on(PUMP_W, 14) + on(PUMP_W + 120, 90) + on(PUMP_W, 10) + still(400)
    kinds = Said(run, machine((FIRST, FILL, HEAT, WASH, drain, spin))).kinds()
    assert [k[0] for k in kinds] == ["phase_out_of_order"]


def test_a_valve_is_no_pump_that_draws_a_third_so_that_the_drain_is_missing() -> None:
    """The valve's first seconds would do for a short drain; but the pump is known to draw more."""
    short = phase("drain", "drain", 8, 90, '"pump"')
    refill = phase("rinse-fill", "fill", 30, 200, '"valve"', '"drum_motor"')
    chart = machine((FIRST, FILL, HEAT, WASH, short, refill, RINSE, LAST))
    turning = (on(11, 10) + on(161, 8)) * 6
    said = Said(
        still(60) + on(24, 15) + on(11, 80) + washed()[155:] + turning + drum(200) + on(24, 45) + still(400), chart
    )
    assert said.kinds() == [("phase_missing", "drain", None)]


def test_a_phase_left_out_does_not_come_back_while_the_one_that_runs_explains_all() -> None:
    """The last rinse heats, turns and pumps as it likes: a drum that turns on in it is not the rinse left out."""
    rinse = phase("rinse", "rinse", 60, 300, '"drum_motor"')
    loose = phase("hot-rinse", "rinse", 200, 900, "", '"drum_motor", "heater", "pump"')
    chart = machine(
        (FIRST, FILL, HEAT, WASH, DRAIN, REFILL, rinse, LAST, phase("hot-fill", "fill", 30, 200, '"valve"'), loose)
    )
    run = washed() + on(PUMP_W, 45) + on(VALVE_W, 80) + on(PUMP_W, 45) + on(VALVE_W, 80)
    run += on(2030, 240) + on(150, 220) + on(PUMP_W, 45) + still(400)
    assert Said(run, chart).kinds() == [("phase_missing", "rinse", None)]


@pytest.mark.parametrize("cool_s", [180, 300])
def test_a_drum_that_turns_for_minutes_is_cooling_and_not_loosening(cool_s: int) -> None:
    """The loosening's drum turns as it likes, but for seconds; nor has the drying gone on without heat."""
    optional = "optional = true\n"
    dryer = machine(
        (
            phase("dry", "dry", 300, 900, '"drum_motor"', '"heater"'),
            phase("cool", "cool", 100, 400, '"drum_motor"'),
            phase("dry-again", "dry", 100, 900, '"drum_motor"', '"heater"') + optional,
            phase("cool-again", "cool", 100, 400, '"drum_motor"') + optional,
            phase("loosen", "wait", 0, 900, "", '"drum_motor"') + optional,
        )
    )
    hot = (on(2030, 120) + on(150, 30)) * 3
    said = Said(still(60) + hot + on(150, 200) + hot + on(150, cool_s) + still(400), dryer)
    phases = said.cycles[0].phases
    assert [p.id for p in phases] == ["dry", "cool", "dry-again", "cool-again"]
    assert said.alerts == []


def test_a_stroke_is_measured_from_where_it_began_not_from_the_one_before() -> None:
    """Long rests between turns that go on beyond their time: too long, and no cycle of its own."""
    dryer = machine(
        (
            phase("dry", "dry", 300, 900, '"drum_motor"', '"heater"'),
            phase("cool", "cool", 100, 400, '"drum_motor"'),
            phase("loosen", "wait", 0, 600, "", '"drum_motor"') + "optional = true\n",
        )
    )
    turns = (still(46) + on(150, 13)) * 16
    said = Said(still(60) + (on(2030, 120) + on(150, 30)) * 3 + on(150, 200) + turns + still(400), dryer)
    alert = said.one("phase_too_long")
    assert alert.phase == "loosen"
    assert second(alert.raised_ms) - second(alert.began_ms) <= 100
    assert len(said.cycles) == 1
