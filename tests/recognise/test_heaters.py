"""Heaters that go out, never come or are not switched off: which phase that hides, and what is said, and when."""

from __future__ import annotations

import pytest
from loadbook.judge.limits import Limits
from loadbook.machine import parse_machine
from loadbook.recognise.chart_model import chart_model
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.options import Option, Options
from loadbook.recognise.stay import Stay
from loadbook.recognise.stretch import Stretch
from washer import CHART, START_MS, Said, drum, on, second, still

CALM = 0.001
"""Readings scatter by this share: what a class 1 meter does, from memory."""
HALF_A_MINUTE_S = 30
"""A part that is missing or does not belong is said so soon (the contract, section 4)."""
LARGE = parse_machine(CHART.replace("rated_w = 180.0", "rated_w = 320.0"), "large.toml")
"""A drum whose strokes cannot be so light that a pump passes for one."""
STUCK_DRAIN_S = 60 + 80 + 720
STUCK = still(60) + on(8, 80) + drum(720, under_w=1880, motor_w=250)

DRYER = """
[machine]
id = "test-dryer"
name = "Test dryer"
kind = "tumble_dryer"
standby_w = 1.2
[[component]]
id = "heater"
nature = "resistive"
rated_w = 2200.0
[[component]]
id = "drum_motor"
nature = "motor"
rated_w = 250.0
[[programme]]
id = "cupboard"
[[programme.phase]]
id = "dry"
stage = "dry"
on = ["drum_motor"]
pulsing = ["heater"]
min_s = 300.0
max_s = 1200.0
[[programme.phase]]
id = "cool"
stage = "cool"
on = ["drum_motor"]
min_s = 100.0
max_s = 400.0
"""


@pytest.mark.parametrize("more_s", [500, 800 + 300])
def test_a_wash_that_a_heat_without_its_heater_hides_has_come_all_the_same(more_s: int) -> None:
    """The wash looks like the heat without its heater: where one ended and the other began nobody can tell."""
    run = on(8, 80) + drum(100, under_w=1880) + drum(more_s) + on(28, 45)
    said = Said(still(60) + run + still(400))
    alert = said.one("component_missing")
    assert (alert.component, alert.phase) == ("heater", "heat")
    assert 0 < second(alert.raised_ms) - (60 + 80 + 100) <= HALF_A_MINUTE_S
    assert said.kinds() == [("component_missing", "heat", "heater")]
    assert [(p.id, p.verdict) for p in said.cycles[0].phases] == [
        ("fill", "ok"), ("heat", "low"), ("wash", "ok"), ("drain", "ok"),
    ]  # fmt: skip


def test_where_both_together_are_too_long_it_is_the_phase_that_wants_a_part() -> None:
    run = on(8, 80) + drum(100, under_w=1880) + drum(800 + 600 + 200) + on(28, 45)
    said = Said(still(60) + run + still(400))
    assert said.kinds()[:2] == [("component_missing", "heat", "heater"), ("phase_too_long", "heat", None)]


def test_drying_that_never_heats_is_too_long_once_its_time_is_up() -> None:
    said = Said(still(60) + on(200, 2400) + still(900), parse_machine(DRYER, "dryer.toml"))
    alert = said.one("phase_too_long")
    assert alert.phase == "dry"
    assert 0 < second(alert.raised_ms) - (60 + 1200) <= HALF_A_MINUTE_S
    assert "stopped_early" not in [a.kind for a in said.alerts]


@pytest.mark.parametrize("cool_s", [120, 300])
def test_drying_that_ends_in_time_is_none(cool_s: int) -> None:
    run = (on(2300, 200) + on(200, 60)) * 3 + on(200, cool_s)
    assert Said(still(60) + run + still(900), parse_machine(DRYER, "dryer.toml")).kinds() == []


def test_a_cycle_that_begins_with_a_heater_is_believed_at_once() -> None:
    before, after = CHART.split('[[programme.phase]]\nid = "heat"')
    wet = '[[programme.phase]]\nid = "wet"\nstage = "wash"\npulsing = ["drum_motor"]\nmin_s = 60.0\nmax_s = 200.0\n'
    machine = parse_machine(before + wet + '[[programme.phase]]\nid = "heat"' + after, "wet.toml")
    run = on(8, 80) + drum(96) + drum(420, under_w=1880) + drum(300) + on(28, 45)
    said = Said(still(60) + run + still(900) + on(1880 + 8, 80) + drum(96, under_w=1880), machine, scatter=CALM)
    found = next(a for a in said.alerts if a.kind == "component_unexpected")
    assert (found.component, found.phase) == ("heater", "fill")
    assert second(found.raised_ms) - (60 + len(run) + 900) <= HALF_A_MINUTE_S


def test_two_readings_of_a_slow_meter_are_a_transition() -> None:
    stretch = Stretch(START_MS, 0, 1500.0, 230.0, n=2)
    assert stretch.brief(START_MS + 4_000)
    assert not stretch.brief(START_MS + 20_000)
    assert not Stretch(START_MS, 0, 1500.0, 230.0, n=3).brief(START_MS + 4_000)


def test_what_explains_a_level_badly_costs_again_once_all_was_well_for_a_while() -> None:
    """Else a phase that was untidy for long would explain anything at no cost."""
    chart = chart_model(parse_machine(CHART, "washer.toml"), Limits())
    phase = chart.programmes[0].phases[1]
    story = Story(0, START_MS, 0, Stay(1, START_MS, START_MS, 0), phase)
    far, well = Options.of([Option((), 1, 3.0)]), Options.of([Option((), 1, 0.0)])
    at_ms = START_MS

    def shows(options: Options, ms: int) -> float:
        nonlocal at_ms
        before, chosen = story.score, (options[0], story.cost_of(options[0], ms))
        story.take(phase, options, chosen, at_ms, at_ms + ms, 1880.0, 60)
        at_ms += ms
        return story.score - before

    assert shows(far, 60_000) > 10
    assert shows(far, 60_000) < 2
    shows(well, 120_000)
    assert shows(far, 60_000) > 10
