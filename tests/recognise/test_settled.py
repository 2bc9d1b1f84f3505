"""A cycle that is over is settled: its findings end with it, stay on record, and the next cycle takes none away."""

from __future__ import annotations

import numpy as np
import pytest
from loadbook.assessor import Assessor
from loadbook.events import AlertChanged, CycleChanged
from loadbook.judge.limits import Limits
from loadbook.machine import parse_machine
from loadbook.reading import Series

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
    assert alert.alert.cleared_ms == pytest.approx(first.end_ms, abs=5000)
    assert (first.verdict, second.verdict) == ("attention", "pass")
