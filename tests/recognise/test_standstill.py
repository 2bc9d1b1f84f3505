"""All stands still after a phase that may be over: the next phase's part is missing, or the machine has stopped."""

from __future__ import annotations

from loadbook.machine import parse_machine
from washer import CHART, Said, healthy, on, second, still

PARTS = CHART.split("[[programme]]")[0].replace('"washing_machine"', '"dishwasher"')
DISH = (
    PARTS
    + """
[[programme]]
id = "short"
[[programme.phase]]
id = "fill"
stage = "fill"
on = ["valve"]
min_s = 30.0
max_s = 200.0
[[programme.phase]]
id = "heat"
stage = "heat"
on = ["drum_motor", "heater"]
min_s = 200.0
max_s = 1500.0
[[programme.phase]]
id = "wash"
stage = "wash"
on = ["drum_motor"]
min_s = 200.0
max_s = 900.0
[[programme.phase]]
id = "drain"
stage = "drain"
on = ["pump"]
min_s = 20.0
max_s = 90.0
"""
)
DRYER = (
    PARTS.replace('"dishwasher"', '"tumble_dryer"')
    + """
[[programme]]
id = "dry"
[[programme.phase]]
id = "warm"
stage = "heat"
on = ["drum_motor", "heater"]
min_s = 200.0
max_s = 900.0
[[programme.phase]]
id = "heating"
stage = "dry"
on = ["drum_motor"]
pulsing = ["heater"]
min_s = 300.0
max_s = 3000.0
[[programme.phase]]
id = "cool"
stage = "cool"
on = ["drum_motor"]
min_s = 100.0
max_s = 900.0
"""
)


def drying(heater_w: float = 1880, cool_w: float = 150) -> list[float]:
    """Warming, four heats, cooling for 300 s from second 960 of it."""
    return on(150 + heater_w, 420) + (on(150, 45) + on(150 + heater_w, 90)) * 4 + on(cool_w, 300)


def test_a_drum_that_has_washed_for_long_enough_rests_because_the_pump_does_not_come() -> None:
    said = Said(still(60) + healthy(drain_s=0) + still(400))
    alert = said.one("component_missing")
    assert (alert.phase, alert.component) == ("drain", "pump")
    assert second(alert.raised_ms) - (60 + 80 + 420 + 300) <= 50


def test_what_stops_is_told_by_the_phase_that_was_seen_to_run() -> None:
    said = Said(still(60) + healthy(drain_s=0) + still(400))
    stopped = said.one("stopped_early")
    assert stopped.phase == "wash"
    assert abs(second(stopped.raised_ms) - (60 + 80 + 420 + 300) - 300) <= 12


def test_a_part_that_does_not_come_after_a_finished_heat_is_missing_within_half_a_minute() -> None:
    said = Said(
        still(60) + on(8, 80) + on(2030, 400) + still(90) + on(28, 45) + still(200), parse_machine(DISH, "dish")
    )
    alert = said.one("component_missing")
    assert (alert.phase, alert.component) == ("wash", "drum_motor")
    assert second(alert.raised_ms) - 540 <= 32


def test_half_a_minute_with_the_door_open_is_no_fault() -> None:
    heat = on(2030, 300) + still(24) + on(2030, 200)
    run = still(60) + on(8, 80) + heat + on(150, 300) + on(28, 45) + still(200)
    assert Said(run, parse_machine(DISH, "dish")).kinds() == []


def test_a_heater_missing_from_the_first_phase_is_a_missing_part_not_a_missing_phase() -> None:
    said = Said(still(60) + on(150, 420 + 540 + 300) + still(200), parse_machine(DRYER, "dryer.toml"))
    assert said.kinds()[0] == ("component_missing", "warm", "heater")


def test_a_finding_put_down_to_another_phase_keeps_the_moment_it_was_said() -> None:
    said = Said(still(60) + drying(cool_w=320) + still(200), parse_machine(DRYER, "dryer.toml"))
    alert = said.one("power_high")
    assert (alert.phase, alert.component) == ("cool", "drum_motor")
    assert second(alert.raised_ms) - (60 + 960) <= 15


def test_a_break_of_some_seconds_does_not_let_the_phase_before_hold_the_rests_of_the_next() -> None:
    guard = '[[programme.phase]]\nid = "guard"\nstage = "wait"\npulsing = ["drum_motor"]\nmax_s = 3000.0\n'
    strokes = (still(32) + on(150, 8)) * 12
    said = Said(still(60) + drying() + strokes + still(700), parse_machine(DRYER + guard, "dryer.toml"))
    phases = {p.id: p for p in said.cycles[0].phases}
    assert abs(second(phases["cool"].end_ms) - (60 + 960 + 300)) <= 5
    assert said.kinds() == []


def test_a_last_drain_that_comes_late_after_a_draw_in_the_drying_is_no_new_cycle() -> None:
    drying = (
        '[[programme.phase]]\nid = "dry"\nstage = "dry"\nmin_s = 500.0\nmax_s = 1500.0\n'
        '[[programme.phase]]\nid = "last-drain"\nstage = "drain"\non = ["pump"]\nmin_s = 15.0\nmax_s = 90.0\n'
    )
    fill = 'id = "fill"\nstage = "fill"\n'
    text = DISH.replace(fill + 'on = ["valve"]', fill + 'pulsing = ["valve", "pump"]') + drying
    chart = parse_machine(text, "dish")
    run = on(8, 80) + on(2030, 400) + on(150, 300) + on(28, 45) + still(420) + on(22, 60) + still(450) + on(22, 50)
    said = Said(still(60) + run + still(2400), chart)
    assert len(said.cycles) == 1
    (cycle,) = said.cycles
    assert abs(second(cycle.end_ms) - (60 + len(run))) <= 3
    assert "stopped_early" not in [a.kind for a in said.alerts]
