"""Whether the energy of the heating phases can have warmed the stated water: m·c·ΔT against what was measured.

Specific heat of water 4.186 kJ/(kg K) and 1 kg to the litre. Water can never take up more than the heaters gave: such a
figure cannot be. Much less can be right too (fabric, crockery, the drum and the room are warmed as well), but below a
third the litres or the kelvins are more likely wrong than the machine: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from loadbook.events import Phase

KJ_PER_KG_K = 4.186
METER_LIMIT = 0.035
"""How far a meter of accuracy class A may be off (Directive 2014/32/EU, Annex V, Table 2)."""
SMALLEST_SHARE = 1 / 3

HeatVerdict = Literal["plausible", "cannot_be", "doubtful"]


@dataclass(frozen=True, slots=True)
class HeatCheck:
    """``water_kwh`` the stated water needs, ``measured_kwh`` the heating phases took, ``share`` the former of the
    latter, and what follows from it in words."""

    water_kwh: float
    measured_kwh: float
    share: float
    verdict: HeatVerdict
    because: str


def water_kwh(litres: float, rise_k: float) -> float:
    """Heat to warm water: litres times kelvins times 4.186 kJ, in kWh."""
    return litres * rise_k * KJ_PER_KG_K / 3600


def heating_kwh(phases: Iterable[Phase]) -> float:
    """Measured energy of the heating phases of a cycle, kWh."""
    return sum(phase.energy_kwh or 0.0 for phase in phases if phase.stage == "heat" and phase.start_ms is not None)


def check_heat(measured_kwh: float, litres: float, rise_k: float) -> HeatCheck | None:
    """Judge the heating energy against the water; None when nothing was heated."""
    if measured_kwh <= 0:
        return None
    needed = water_kwh(litres, rise_k)
    share = needed / measured_kwh
    figures = f"{litres:g} L warmed by {rise_k:g} K take {needed:.2f} kWh; heating took {measured_kwh:.2f} kWh"
    if share > 1 + METER_LIMIT:
        return HeatCheck(
            needed,
            measured_kwh,
            share,
            "cannot_be",
            f"{figures}, less than the water needs: this cannot be. Less water, warmer inlet water or a lower "
            "temperature reached than stated; or heating outside the heating phases",
        )
    if share < SMALLEST_SHARE:
        return HeatCheck(
            needed,
            measured_kwh,
            share,
            "doubtful",
            f"{figures}: less than a third of it went into the water. More water or a larger rise than stated; or heat "
            "is lost (water running off while it is heated)",
        )
    return HeatCheck(needed, measured_kwh, share, "plausible", f"{figures}: {share:.0%} of it went into the water")
