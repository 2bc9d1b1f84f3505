"""The phases of a cycle share out its energy: nothing is counted twice where a boundary is settled after the fact."""

from __future__ import annotations

from pathlib import Path

import pytest
from loadbook.assessment import assess
from loadbook.files import find_log, find_machine, load_causes, load_machine
from loadbook.judge.limits import Limits
from loadbook.logs import read_log


@pytest.mark.parametrize(
    ("log", "machine"),
    [("dryer-healthy", "quay-dryer-3"), ("washer-healthy", "quay-washer-1"), ("dishwasher-healthy", "harbour-dish-2")],
)
def test_phases_add_up_to_their_cycle(log: str, machine: str) -> None:
    (cycle,) = assess(
        read_log(find_log(Path(log))), load_machine(find_machine(Path(machine))), Limits(), load_causes()
    ).cycles
    assert sum(p.energy_kwh or 0 for p in cycle.phases) == pytest.approx(cycle.energy_kwh, abs=2e-5)
    for phase in cycle.phases:
        if phase.power_w and phase.start_ms is not None and phase.end_ms is not None:
            kwh = phase.power_w * (phase.end_ms - phase.start_ms) / 3.6e9
            assert kwh == pytest.approx(phase.energy_kwh, rel=0.03, abs=2e-5)
