"""What a part may draw, worked out from the contract and IEC 60335-1 table 1 for the truth beside a simulated log.

Kept apart from ``judge`` on purpose: the truth must not come from the code that is scored by it.
"""

from __future__ import annotations

from loadbook.machine import Component, Machine

SUPPLY_SPREAD = 0.10
"""In a log without voltage the supply may be anywhere in nominal +-10 % (contract, section 2)."""
MISSING_SHARE = 0.20
"""Below this share of its plate a part is missing (contract, section 2)."""


def table_1(nature: str, rated_w: float) -> tuple[float | None, float]:
    """Deviation allowed in watts (low, high), IEC 60335-1 table 1; low is None where there is no limit."""
    if nature == "resistive":
        if rated_w <= 25:
            return None, 0.20 * rated_w
        if rated_w <= 200:
            return -0.10 * rated_w, 0.10 * rated_w
        return -0.10 * rated_w, max(0.05 * rated_w, 20.0)
    if nature == "motor" and rated_w > 300:
        return None, max(0.15 * rated_w, 60.0)
    return None, 0.20 * rated_w


def band_w(machine: Machine, part: Component, volts: float | None) -> tuple[float | None, float]:
    """Watts allowed (low, high) at a supply of ``volts``, or at an unknown one."""
    low, high = table_1(part.nature, part.rated_w)
    if part.tolerance is not None:
        if part.tolerance.low is not None:
            low = part.tolerance.low * part.rated_w
        if part.tolerance.high is not None:
            high = part.tolerance.high * part.rated_w
    least = None if low is None else part.rated_w + low
    most = part.rated_w + high
    if part.nature != "resistive":
        return least, most
    rated_v = machine.rated_voltage_v(part)
    down = (1 - SUPPLY_SPREAD) if volts is None else volts / rated_v
    up = (1 + SUPPLY_SPREAD) if volts is None else volts / rated_v
    return None if least is None else least * down**2, most * up**2


def standby_limit_w(standby_w: float | None) -> float:
    """At standby: at most this (contract, section 2)."""
    return 5.0 if standby_w is None else max(2 * standby_w + 0.5, standby_w + 4.0)


def idle_limit_w(standby_w: float | None) -> float:
    """``standby_high`` is above this (contract, section 4)."""
    return 4.0 if standby_w is None else 2 * standby_w + 0.5
