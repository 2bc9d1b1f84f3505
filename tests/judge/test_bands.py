"""Bands of parts: IEC 60335-1 clause 10.1 table 1, and what the supply does to them."""

from __future__ import annotations

import pytest
from loadbook.judge.bands import component_band, parts_of, plate_band
from loadbook.judge.limits import Limits
from loadbook.machine import Component, Nature, Tolerance, parse_machine


# IEC 60335-1 clause 10.1, table 1 (read in GOST R IEC 335-1-94, identical text); the figures are worked out from it.
@pytest.mark.parametrize(
    ("nature", "rated_w", "low", "high"),
    [
        ("resistive", 2000.0, 1800.0, 2100.0),
        ("resistive", 300.0, 270.0, 320.0),
        ("resistive", 400.0, 360.0, 420.0),
        ("resistive", 200.0, 180.0, 220.0),
        ("resistive", 201.0, 180.9, 221.0),
        ("resistive", 20.0, None, 24.0),
        ("motor", 350.0, None, 410.0),
        ("motor", 400.0, None, 460.0),
        ("motor", 500.0, None, 575.0),
        ("motor", 300.0, None, 360.0),
        ("solenoid", 20.0, None, 24.0),
    ],
)
def test_table_one_by_nature_and_size(nature: Nature, rated_w: float, low: float | None, high: float) -> None:
    band = plate_band(nature, rated_w)
    assert band.high == pytest.approx(high)
    assert band.low == (None if low is None else pytest.approx(low))


def test_a_part_s_own_tolerance_goes_first() -> None:
    part = Component(id="m", nature="motor", rated_w=100.0, tolerance=Tolerance(low=-0.3))
    band = component_band(part)
    assert band.low == pytest.approx(70.0)
    assert band.high == pytest.approx(120.0)


MACHINE = """
[machine]
id = "m"
name = "M"
kind = "other"
[[component]]
id = "heater"
nature = "resistive"
rated_w = 2000.0
[[component]]
id = "motor"
nature = "motor"
rated_w = 100.0
"""


# P2 = P1 (V2/V1)², Ohm's law: 207 V of 230 V gives 0.81, 253 V gives 1.21.
def test_resistive_parts_follow_the_square_of_the_voltage_and_others_do_not() -> None:
    heater, motor = parts_of(parse_machine(MACHINE, "m.toml"), Limits().missing_fraction)
    assert heater.band(207.0) == (pytest.approx(1800 * 0.81), pytest.approx(2100 * 0.81))
    assert heater.band(253.0) == (pytest.approx(1800 * 1.21), pytest.approx(2100 * 1.21))
    assert motor.band(207.0) == motor.band(253.0) == (None, pytest.approx(120.0))


def test_without_a_voltage_resistive_bands_widen_by_what_the_supply_may_do() -> None:
    heater, motor = parts_of(parse_machine(MACHINE, "m.toml"), Limits().missing_fraction)
    assert heater.band(None) == (pytest.approx(1800 * 0.81), pytest.approx(2100 * 1.21))
    assert motor.band(None) == (None, pytest.approx(120.0))
    assert motor.least_w == pytest.approx(20.0)
