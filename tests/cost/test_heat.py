"""Heating energy against the water it is said to have warmed."""

from __future__ import annotations

import pytest
from loadbook.cost.heat import check_heat, heating_kwh, water_kwh
from loadbook.events import Phase


@pytest.mark.parametrize(
    ("litres", "rise", "joules"),
    [
        (2, 60, 502_320),  # 2 kg from 20 to 80 degrees: Texas Gateway, Physics 3.9, c = 4.186 kJ/kg K
        (10, 40, 1_674_400),
        (0.1, 10, 4_186),
        (189, 50, 39_557_700),  # Essential College Physics, 13.46 (two digits are swapped in the printed joules)
    ],
)
def test_heat_of_water(litres: float, rise: float, joules: float) -> None:
    assert water_kwh(litres, rise) * 3.6e6 == pytest.approx(joules)


def test_verdicts() -> None:
    """10 L by 40 K take 0.465 kWh."""
    for measured, verdict in ((0.60, "plausible"), (0.46, "plausible"), (0.44, "cannot_be"), (1.5, "doubtful")):
        found = check_heat(measured, 10, 40)
        assert found is not None
        assert found.verdict == verdict
        assert "0.47 kWh" in found.because
    assert check_heat(0.0, 10, 40) is None


def test_only_heating_phases_that_came_count() -> None:
    phases = [
        Phase("a", "fill", 0, 1000, energy_kwh=0.1),
        Phase("b", "heat", 1000, 2000, energy_kwh=0.5),
        Phase("c", "heat", 3000, 4000, energy_kwh=0.25),
        Phase("d", "heat", None, None),
    ]
    assert heating_kwh(phases) == 0.75
