"""A cycle that is over is settled: its findings end with it, stay on record, and the next cycle takes none away."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from loadbook.assessment import assess
from loadbook.assessor import Assessor
from loadbook.events import AlertChanged, CycleChanged
from loadbook.files import find_log, find_machine, load_causes, load_machine
from loadbook.judge.limits import Limits
from loadbook.logs import read_log
from loadbook.machine import Machine, parse_machine
from loadbook.reading import Series
from loadbook.simulate import catalogue, machines, odd
from loadbook.simulate.play import Session, Turn

PLATE = """
[machine]
id = "quay-rinser-9"
name = "Rinser 9"
kind = "dishwasher"
standby_w = 1.0
[[component]]
id = "heater"
nature = "resistive"
rated_w = 2000.0
[[component]]
id = "circulation_pump"
nature = "motor"
rated_w = 80.0
[[component]]
id = "drain_pump"
nature = "motor"
rated_w = 30.0
[[component]]
id = "inlet_valve"
nature = "solenoid"
rated_w = 9.0
[[programme]]
id = "short-rinse"
phase = [
  { id = "fill", stage = "fill", on = ["inlet_valve"], min_s = 20.0, max_s = 120.0 },
  { id = "main-heat", stage = "heat", on = ["heater", "circulation_pump"], min_s = 50.0, max_s = 240.0 },
  { id = "wash", stage = "wash", on = ["circulation_pump"], min_s = 40.0, max_s = 180.0 },
  { id = "last-drain", stage = "drain", on = ["drain_pump"], min_s = 10.0, max_s = 90.0 },
]
"""


@pytest.mark.parametrize("rest_s", [80, 300, 900])
def test_the_next_cycle_takes_no_finding_away(rest_s: int) -> None:
    watts = [1.0] * 150
    for heater_w in (1000.0, 2000.0):
        watts += [10.0] * 45 + [81.0 + heater_w] * 100 + [81.0] * 70 + [31.0] * 30 + [1.0] * rest_s
    power = np.array(watts) * (1 + np.random.default_rng(3).normal(0, 0.004, len(watts)))
    at_ms = np.arange(len(watts), dtype=np.int64) * 1000
    series = Series(at_ms=at_ms, power_w=power, voltage_v=np.full(len(watts), 230.0))
    assessor = Assessor(parse_machine(PLATE, "test"), Limits())
    alerts: dict[str, AlertChanged] = {}
    cycles: dict[int, CycleChanged] = {}
    for event in (e for r in series.readings() for e in assessor.feed(r)):
        if isinstance(event, AlertChanged):
            alerts[event.alert.key] = event
        elif isinstance(event, CycleChanged):
            cycles[event.cycle.key_ms] = event
    (alert,) = alerts.values()
    first, second = (c.cycle for c in cycles.values())
    assert (alert.alert.kind, alert.alert.component, alert.withdrawn) == ("power_low", "heater", False)
    heated = next(phase for phase in first.phases if phase.id == "main-heat")
    assert alert.alert.cleared_ms == pytest.approx(heated.end_ms, abs=2000)
    assert (first.verdict, second.verdict) == ("attention", "pass")


def test_what_was_wrong_with_a_part_ends_with_its_phase():
    log = read_log(find_log(Path("dishwasher-half-heater")))
    machine = load_machine(find_machine(Path("harbour-dish-2")))
    told = assess(log, machine, Limits(), load_causes()).as_contract()
    ends = {p["id"]: p["end"] for p in told["cycles"][0]["phases"]}
    low = {a["phase"]: a["cleared_at"] for a in told["alerts"] if a["kind"] == "power_low"}
    assert set(low) == {"main-heat", "hot-rinse"}
    assert low == {phase: ends[phase] for phase in low}


def test_a_cycle_ends_where_it_ended_however_well_the_next_one_fits_it_too() -> None:
    """A dryer's next load begins 40 s after anti-crease tumbling, which explains a turning drum as well."""
    model, meter = catalogue.bench_models()["quay-dryer-3"]
    scenario = next(s for s in catalogue.spoilt(model, 0, meter) if "--close--" in s.name)
    made = scenario.make()
    series = Series(at_ms=np.round(made.rows.true_s * 1000).astype(np.int64), power_w=made.rows.columns["power_w"])
    assessor = Assessor(model.machine, Limits())
    events = [*assessor.feed_series(series), *assessor.finish()]
    cycles = {e.cycle.key_ms: e.cycle for e in events if isinstance(e, CycleChanged)}
    assert [c.outcome for c in cycles.values()] == ["completed", "completed"]
    for cycle, true in zip(cycles.values(), made.truth.cycles, strict=True):
        assert cycle.start_ms / 1000 == pytest.approx(true.start_s, abs=3)
        assert cycle.end_ms / 1000 == pytest.approx(true.end_s, abs=3)


def test_a_stop_in_a_quiet_phase_is_said_thirty_seconds_after_its_longest() -> None:
    """Passive drying may stand still for 2,100 s; the last drain that should follow does not make it come sooner."""
    model = machines.dishwasher()
    scenario = catalogue.faulty(model, "daily-60", "stopped-in-quiet", 0)
    assert scenario
    made = scenario.make()
    (due,) = [e for e in made.truth.expected if e.needed]
    assessor = Assessor(model.machine, Limits())
    series = Series(at_ms=np.round(made.rows.true_s * 1000).astype(np.int64), power_w=made.rows.columns["power_w"])
    events = [*assessor.feed_series(series), *assessor.finish()]
    alerts = {e.alert.key: e.alert for e in events if isinstance(e, AlertChanged) and not e.withdrawn}
    (stop,) = [a for a in alerts.values() if a.kind == "stopped_early"]
    assert due.provable_s - 2 <= stop.raised_ms / 1000 <= due.due_s


def phases_said(machine: Machine, made: catalogue.Made) -> list[list[str]]:
    """Ids of the phases of every cycle said of a simulated log with volts left out."""
    assessor = Assessor(machine, Limits())
    series = Series(at_ms=np.round(made.rows.true_s * 1000).astype(np.int64), power_w=made.rows.columns["power_w"])
    events = [*assessor.feed_series(series), *assessor.finish()]
    cycles = {e.cycle.key_ms: e.cycle for e in events if isinstance(e, CycleChanged)}
    return [[p.id or "" for p in c.phases] for c in cycles.values()]


def test_a_heater_that_rests_far_longer_than_its_thermostat_ended_its_phase() -> None:
    """Dried, cooled, not dry after all, heated once more."""
    model = odd.reheating_dryer()
    runs = [catalogue.healthy(model, "shirts", seed).make() for seed in range(6)]
    made = next(m for m in runs if "dry-again" in [p[0] for p in m.truth.cycles[0].phases])
    (said,) = phases_said(model.machine, made)
    assert said[:3] == ["dry", "cool", "dry-again"]


def test_a_load_put_in_at_once_is_a_new_cycle_though_the_drum_might_have_been_loosening() -> None:
    """Anti-crease tumbling may or may not come; the drum that starts 40 s after the cool-down is the next load's."""
    model = odd.reheating_dryer()
    session = Session((Turn("shirts"), Turn("shirts", idle_s=40.0, display_s=40.0)))
    for seed in range(3):
        made = catalogue.Scenario("close", model, session, seed).make()
        assert len(phases_said(model.machine, made)) == 2
