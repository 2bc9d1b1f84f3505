"""Phases with the very same parts: by the contract the earlier one holds until its ``max_s``, wherever it ended."""

from __future__ import annotations

import pytest
from charts import machine, phase
from washer import Said, drum, on, second, still

RINSE = '"pump", "valve", "drum_motor"'
CHART = (
    phase("fill", "fill", 20, 200, '"valve"'),
    phase("wash", "wash", 200, 1500, "", '"drum_motor"'),
    phase("rinse-1", "rinse", 100, 400, "", RINSE),
    phase("rinse-2", "rinse", 100, 400, "", RINSE),
    phase("rinse-3", "rinse", 100, 400, "", RINSE),
    phase("spin", "spin", 60, 600, '"pump"', '"heater"'),
)
ONE_RINSE = on(28, 40) + on(8, 60) + drum(180)


def test_the_first_of_three_rinses_alike_holds_as_long_as_it_may() -> None:
    run = on(8, 80) + drum(600) + ONE_RINSE * 3 + on(28, 120)
    said = Said(still(60) + run + still(400), machine(CHART))
    (cycle,) = said.cycles
    starts = {p.id: second(p.start_ms) for p in cycle.phases}
    wash_s = 60 + 80
    assert starts["wash"] == pytest.approx(wash_s, abs=3)
    assert starts["rinse-1"] == pytest.approx(wash_s + 600, abs=15)  # the pump shows that the wash is over
    assert starts["rinse-2"] == pytest.approx(starts["rinse-1"] + 400, abs=3)
    assert starts["rinse-3"] == pytest.approx(starts["spin"] - 100, abs=3)  # its least time is left to it
    assert not said.alerts
    energies = [p.energy_kwh or 0.0 for p in cycle.phases]
    assert sum(energies) == pytest.approx(cycle.energy_kwh, rel=0.001)
    rinsed = [e for p, e in zip(cycle.phases, energies, strict=True) if p.stage == "rinse"]
    assert min(rinsed) > 0.1 * sum(rinsed)
