"""Against a chart: cycles, phases, and every kind of finding about them, at its moment."""

from __future__ import annotations

import re

import pytest
from loadbook.assessor import Assessor
from loadbook.events import AlertChanged
from loadbook.judge.limits import Limits
from loadbook.machine import parse_machine
from loadbook.recognise.track import MWMS_PER_KWH
from washer import CHART, Said, drum, healthy, on, second, series, still, washer


def test_a_good_run_is_one_cycle_with_its_phases_and_nothing_to_say() -> None:
    said = Said(still(60) + healthy() + still(400))
    (cycle,) = said.cycles
    assert said.alerts == []
    assert (cycle.programme, cycle.outcome, cycle.verdict) == ("mixed", "completed", "pass")
    assert second(cycle.start_ms) == 60
    assert second(cycle.end_ms) == 60 + 845
    assert [p.id for p in cycle.phases] == ["fill", "heat", "wash", "drain"]
    starts = [second(p.start_ms) for p in cycle.phases]
    assert starts == [pytest.approx(s, abs=6) for s in (60, 140, 560, 860)]
    assert cycle.phases[1].on == ["heater", "drum_motor"]
    assert cycle.energy_kwh == pytest.approx(sum(healthy()) / 3.6e6, rel=0.02)
    assert sum(p.energy_kwh or 0 for p in cycle.phases) == pytest.approx(cycle.energy_kwh, rel=0.001)
    assert MWMS_PER_KWH == 3_600_000_000_000


def test_what_each_part_drew_is_kept() -> None:
    (cycle,) = Said(still(60) + healthy() + still(400)).cycles
    heater = next(p for p in cycle.parts if p.component == "heater" and p.phase == "heat")
    assert heater.at_rated_w == pytest.approx(1880, rel=0.02)
    assert heater.resistance_ohm == pytest.approx(230**2 / 1880, rel=0.02)


def test_breaks_of_up_to_ten_seconds_belong_to_the_phase() -> None:
    heat = drum(100, under_w=1880) + drum(7) + drum(150, under_w=1880) + drum(4) + drum(150, under_w=1880)
    said = Said(still(60) + on(8, 80) + heat + drum(300) + on(28, 45) + still(400))
    assert said.alerts == []
    assert [p.id for p in said.cycles[0].phases] == ["fill", "heat", "wash", "drain"]


def test_a_fill_that_goes_on_is_too_long_within_seconds() -> None:
    said = Said(still(60) + healthy(fill_s=320) + still(400))
    alert = said.one("phase_too_long")
    assert (alert.phase, second(alert.began_ms)) == ("fill", 260)
    assert 260 < second(alert.raised_ms) <= 266
    assert alert.cleared_ms is not None
    assert said.cycles[0].phases[0].verdict == "too_long"


def test_a_heater_that_stays_off_is_missing_within_half_a_minute() -> None:
    said = Said(still(60) + on(8, 80) + drum(420) + drum(300) + on(28, 45) + still(400))
    alert = said.one("component_missing")
    assert (alert.phase, alert.component) == ("heat", "heater")
    assert second(alert.raised_ms) <= 140 + 30


@pytest.mark.parametrize("volts", [True, False])
def test_half_the_heater_is_power_low_after_its_twenty_seconds(volts: bool) -> None:
    run = on(8, 80) + drum(420, under_w=940) + drum(300) + on(28, 45)
    alert = Said(still(60) + run + still(400), volts=volts).one("power_low")
    assert (alert.phase, alert.component) == ("heat", "heater")
    assert 140 + 20 <= second(alert.raised_ms) <= 140 + 50
    assert alert.measured == pytest.approx(940, rel=0.03)


def test_a_blocked_pump_is_power_high() -> None:
    run = on(8, 80) + drum(420, under_w=1880) + drum(300) + on(52, 45)
    alert = Said(still(60) + run + still(400)).one("power_high")
    assert (alert.phase, alert.component) == ("drain", "pump")


def test_a_pump_that_runs_while_washing_does_not_belong() -> None:
    run = on(8, 80) + drum(420, under_w=1880) + drum(96) + drum(192, under_w=28) + on(28, 45)
    alert = Said(still(60) + run + still(400)).one("component_unexpected")
    assert (alert.phase, alert.component) == ("wash", "pump")


def test_a_phase_left_out_is_missing_once_a_later_one_proves_it() -> None:
    run = on(8, 80) + drum(420, under_w=1880) + on(28, 45)
    said = Said(still(60) + run + still(400))
    alert = said.one("phase_missing")
    assert alert.phase == "wash"
    assert second(alert.raised_ms) >= 60 + 80 + 420
    missing = next(p for p in said.cycles[0].phases if p.id == "wash")
    assert (missing.start_ms, missing.verdict) == (None, "missing")


def test_stopped_in_the_middle_is_said_after_five_minutes_of_standby() -> None:
    said = Said(still(60) + on(8, 80) + drum(250, under_w=1880) + still(900))
    alert = said.one("stopped_early")
    assert second(alert.began_ms) == pytest.approx(390, abs=8)
    assert 690 <= second(alert.raised_ms) <= 700
    (cycle,) = said.cycles
    assert cycle.outcome == "stopped_early"
    assert [p.verdict for p in cycle.phases][-2:] == ["missing", "missing"]


def test_a_cycle_that_goes_on_within_half_an_hour_is_one_cycle() -> None:
    run = on(8, 80) + drum(250, under_w=1880) + still(600) + drum(150, under_w=1880) + drum(300) + on(28, 45)
    said = Said(still(60) + run + still(400))
    assert len(said.cycles) == 1
    assert said.cycles[0].outcome == "completed"
    assert said.one("stopped_early").cleared_ms is not None


def test_the_next_programme_forty_seconds_later_is_another_cycle() -> None:
    said = Said(still(60) + healthy() + still(40) + healthy() + still(400))
    assert [c.outcome for c in said.cycles] == ["completed", "completed"]
    assert second(said.cycles[1].start_ms) == 60 + 845 + 40
    assert said.alerts == []


def test_what_was_found_stands_when_the_next_cycle_begins() -> None:
    weak = on(8, 80) + drum(420, under_w=940) + drum(300) + on(28, 45)
    said = Said(still(60) + weak + still(300) + healthy() + still(400))
    assert said.kinds() == [("power_low", "heat", "heater")]
    assert [c.verdict for c in said.cycles] == ["attention", "pass"]


def test_a_log_that_ends_inside_is_running() -> None:
    (cycle,) = Said(still(60) + on(8, 80) + drum(250, under_w=1880)).cycles
    assert cycle.outcome == "running"
    assert second(cycle.end_ms) == 60 + 80 + 250 - 1


def test_a_lamp_behind_the_door_is_no_cycle() -> None:
    assert Said(still(60) + on(6, 15) + still(600)).cycles == []


SHORTER = """
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
on = ["heater"]
pulsing = ["drum_motor"]
min_s = 100.0
max_s = 250.0
[[programme.phase]]
id = "drain"
stage = "drain"
on = ["pump"]
min_s = 20.0
max_s = 90.0
"""


def test_while_two_programmes_fit_none_is_named_and_none_found_wanting() -> None:
    said = Said(still(60) + on(8, 80) + drum(200, under_w=1880), washer(SHORTER))
    assert said.cycles[0].programme is None
    assert said.alerts == []


@pytest.mark.parametrize(("heat_s", "programme"), [(420, "mixed"), (200, "short")])
def test_the_right_programme_is_named_at_the_end(heat_s: int, programme: str) -> None:
    run = on(8, 80) + drum(heat_s, under_w=1880) + (drum(300) if programme == "mixed" else []) + on(28, 45)
    said = Said(still(60) + run + still(400), washer(SHORTER))
    assert said.cycles[0].programme == programme
    assert said.alerts == []


def test_a_blocked_pump_is_said_while_it_still_runs() -> None:
    """52 W might be the drum's motor at little load, were it not that it has never drawn so little, nor for so long."""
    run = on(8, 80) + drum(420, under_w=1880) + drum(300) + on(52, 90)
    alert = Said(still(60) + run + still(400)).one("power_high")
    assert (alert.phase, alert.component) == ("drain", "pump")
    assert 860 < second(alert.raised_ms) <= 860 + 35


def test_a_phase_that_comes_after_the_next_one_is_out_of_order_and_nothing_is_missing() -> None:
    run = on(8, 80) + drum(420, under_w=1880) + on(28, 45) + drum(300)
    said = Said(still(60) + run + still(400))
    assert said.one("phase_out_of_order").phase == "wash"
    assert [a.kind for a in said.alerts] == ["phase_out_of_order"]


def test_a_drum_that_never_turned_beside_the_heater_is_missing() -> None:
    run = on(8, 80) + on(1880, 420) + drum(300) + on(28, 45)
    alert = Said(still(60) + run + still(400)).one("component_missing")
    assert (alert.phase, alert.component) == ("heat", "drum_motor")
    assert 140 + 45 <= second(alert.raised_ms) <= 140 + 120


def test_a_machine_that_stands_still_in_its_heat_misses_its_heater_after_a_minute() -> None:
    run = on(8, 80) + drum(100, under_w=1880)
    said = Said(still(60) + run + still(90))
    alert = said.one("component_missing")
    assert (alert.phase, alert.component) == ("heat", "heater")
    assert 240 < second(alert.raised_ms) <= 240 + 75


def test_a_phase_without_a_least_time_may_begin_with_a_power_cut() -> None:
    without = parse_machine(re.sub(r"min_s = .*", "min_s = 0.0", CHART), "washer.toml")
    run = series(still(30) + drum(8) + [0.0] * 60 + on(28, 11) + on(8, 6) + still(200))
    assert run.voltage_v is not None
    run.voltage_v[38:98] = 0.0
    assessor = Assessor(without, Limits())
    events = [*assessor.feed_series(run), *assessor.finish()]
    assert any(isinstance(e, AlertChanged) and e.alert.kind == "power_lost" for e in events)
