"""Do a meter's values make sense? Ranges of a domestic supply, and power against volts, amperes and power factor.

Pure. The ranges are wide on purpose: they tell a right map from a wrong one, they do not judge the supply.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

RANGES: dict[str, tuple[float, float]] = {
    "voltage_v": (80.0, 280.0),
    "frequency_hz": (45.0, 65.0),
    "current_a": (0.0, 100.0),
    "power_w": (-25_000.0, 25_000.0),
    "apparent_power_va": (0.0, 25_000.0),
    "reactive_power_var": (-25_000.0, 25_000.0),
    "power_factor": (-1.001, 1.001),
    "energy_wh": (0.0, 1e9),
}
"""What a single-phase meter behind a domestic machine can show. Common practice, no source."""

POSSIBLE: dict[str, tuple[float, float]] = {
    "voltage_v": (0.0, 1_000.0),
    "frequency_hz": (0.0, 1_000.0),
    "current_a": (-1_000.0, 1_000.0),
    "power_w": (-1e6, 1e6),
    "apparent_power_va": (-1e6, 1e6),
    "reactive_power_var": (-1e6, 1e6),
    "power_factor": (-2.0, 2.0),
    "energy_wh": (-1e12, 1e12),
}
"""Outside of these a number is no measurement but a wrong map or a meter that is not well, and is not passed on."""

AGREES = 0.05
AGREES_W = 3.0
"""P and V x I x PF may differ by the larger of the two: registers are not all of the same instant."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something that cannot be: which quantity, and why, in words."""

    quantity: str
    because: str


def doubts(values: Mapping[str, float]) -> list[Doubt]:
    """What is absurd about one reading; empty where it makes sense."""
    found = [
        Doubt(name, f"{value:g} is outside {RANGES[name][0]:g} to {RANGES[name][1]:g}")
        for name, value in values.items()
        if not RANGES[name][0] <= value <= RANGES[name][1]
    ]
    if found:
        return found
    power, volts, amps = values.get("power_w"), values.get("voltage_v"), values.get("current_a")
    if power is None:
        return [Doubt("power_w", "there is no active power among the values")]
    if volts is None or amps is None:
        return []
    apparent, factor = volts * amps, values.get("power_factor")
    room = max(AGREES_W, AGREES * apparent)
    if factor is not None:
        if abs(abs(power) - apparent * abs(factor)) > room:
            found.append(
                Doubt("power_w", f"{power:g} W is not V x I x PF = {volts:g} x {amps:g} x {factor:g} = "
                      f"{apparent * factor:.1f} W")
            )  # fmt: skip
    elif abs(power) > apparent + room:
        found.append(Doubt("power_w", f"{power:g} W is more than V x I = {apparent:.1f} VA"))
    if power < -AGREES_W:
        found.append(Doubt("power_w", "power flows out of the machine: turn the sensor round, or set scale = -1"))
    return found


def impossible(values: Mapping[str, float]) -> dict[str, float]:
    """Those of the values that no such meter can have measured."""
    return {name: v for name, v in values.items() if not POSSIBLE[name][0] <= v <= POSSIBLE[name][1]}


def convinces(values: Mapping[str, float]) -> bool:
    """Whether values make sense and say enough to tell a right map from a wrong one."""
    return not doubts(values) and ("voltage_v" in values or "frequency_hz" in values)
