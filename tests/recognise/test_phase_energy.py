"""The phases of a cycle share out its energy, each what flowed in it, also where a boundary is settled afterwards."""

from __future__ import annotations

from pathlib import Path

import pytest
from loadbook.assessment import assess
from loadbook.cost.energy_curve import UJ_PER_KWH, EnergyCurve
from loadbook.files import find_log, find_machine, load_causes, load_machine
from loadbook.judge.limits import Limits
from loadbook.logs import read_log


@pytest.mark.parametrize(
    ("log", "machine"),
    [("dryer-healthy", "quay-dryer-3"), ("washer-healthy", "quay-washer-1"), ("dishwasher-healthy", "harbour-dish-2")],
)
def test_phases_add_up_to_their_cycle(log: str, machine: str) -> None:
    read = read_log(find_log(Path(log)))
    curve = EnergyCurve(read.series)
    (cycle,) = assess(read, load_machine(find_machine(Path(machine))), Limits(), load_causes()).cycles
    assert sum(p.energy_kwh or 0 for p in cycle.phases) == pytest.approx(cycle.energy_kwh, abs=2e-5)
    for phase in cycle.phases:
        if phase.start_ms is not None and phase.end_ms is not None:
            flowed_kwh = curve.between(phase.start_ms, phase.end_ms) / UJ_PER_KWH
            assert phase.energy_kwh == pytest.approx(flowed_kwh, abs=3e-4), phase.id
