"""Sets of parts that may draw together, with what they may draw; and every part's figures at one voltage.

Pure. ``levels`` asks which of them explain a level.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log
from typing import NamedTuple

from loadbook.judge.bands import Part
from loadbook.recognise.options import Fault
from loadbook.recognise.resistive import Resistive

SLACK = 0.04
"""Recognition takes a resistive part this much beyond its band for healthy; judging is for ``judge``."""
TOO_LITTLE_Z, STRETCH_Z = 1.6, 0.6
KNOWN_SLOPE, KNOWN_Z = 2.0, 4.0
"""Where all that would draw has been seen drawing alone, too little counts so many times as much, up to so much."""
SMALL_W, SMALL_SHARE = 15.0, 0.4
"""What the machine itself draws in a cycle (display, relays) would pass for a fraction of a small part, a valve: below
this share of its plate it is not taken to be on."""
OFF_Z, OFF_SHARE, OFF_MOST_Z = 0.5, 0.006, 3.0
"""A heater that draws something else than it is known to, though within its band: how far-fetched, for each such share
of its watts more, and at most."""
SMALL_SUM_W = 20.0


def coarse(watts: float) -> float:
    """To the nearest twentieth: what was learned moves in steps, so that answers may be kept."""
    return round(exp(round(log(watts) * 20) / 20), 3)


class Fit(NamedTuple):
    """A set of parts that may draw together in a phase: within ``low`` and ``high``, usually ``usual``, all W."""

    faults: tuple[Fault, ...]
    mask: int
    low: float
    high: float
    usual: float
    varies: bool
    known: bool
    """All of them have been seen drawing alone."""
    firm: float = 0.0
    """Of it, heaters whose watts are known, W; with them the rest draws between ``firm_low`` and ``firm_high``."""
    firm_low: float = 0.0
    firm_high: float = 0.0
    firm_tol: float = 0.0
    plates: float = 0.0
    """What they draw by their plates, W: a motor whose load varies may draw anything from its usual draw to that."""

    def z(self, own: float, tol: float, more: float) -> float | None:
        """How far-fetched it is that these draw ``own`` watts; None where they cannot. ``more``: what the machine
        itself may draw more."""
        if not self.low - tol <= own <= self.high + tol + (more if self.high < SMALL_SUM_W else 0.0):
            return None
        if not self.firm:
            return self.far(own, 0.0)
        tol += self.firm_tol
        off = max(self.firm_low - own, own - self.firm_high) - tol
        if off > 0:
            return min(OFF_MOST_Z, OFF_Z + off / (OFF_SHARE * self.firm))
        return 0.0 if self.usual - self.firm < 2 * tol else self.far(own, self.firm)

    def far(self, own: float, firm: float) -> float:
        """How far-fetched: parts that would draw little of what their plate, or their past, says, beside known
        heaters. A drum's motor ``varies`` with its load."""
        usual = self.usual
        if self.varies:
            usual = min(max(usual, own), max(usual, self.plates))
        share = (own - firm) / (usual - firm)
        if share < 0.55:
            z = max(0.0, (0.35 if self.varies else 0.55) - share) * 4
            return min(KNOWN_Z, z * KNOWN_SLOPE) if self.known and not self.varies else min(TOO_LITTLE_Z, z)
        return min(STRETCH_Z, max(0.0, abs(share - 1) - 0.25) * 1.5 + 0.2 * abs(share - 1))


@dataclass(slots=True)
class Table:
    """Every part's figures at one voltage, W: what recognition lets it draw, its band, its plate, its usual draw."""

    low: list[float]
    high: list[float]
    least: list[float]
    band_low: list[float | None]
    band_high: list[float]
    expected: list[float]
    usual: list[float]
    known: list[bool]
    """Its usual draw was seen, not taken from its plate."""
    firm: list[float]
    """What a heater is known to draw, 0 where that is not known."""
    volts: float | None

    @classmethod
    def of(cls, parts: tuple[Part, ...], usual_w: dict[int, float], resistive: Resistive, volts: float | None) -> Table:
        table = cls([], [], [], [], [], [], [], [], [], volts)
        for i, part in enumerate(parts):
            supply_least, supply_most = part.supply(volts)
            least = part.rated_w * SMALL_SHARE if part.rated_w <= SMALL_W else part.least_w
            low = least * supply_least
            if part.resistive and part.low_w is not None:
                low = part.low_w * supply_least * (1 - SLACK)
            band_low, band_high = part.band(volts)
            expected = part.expected_w(volts)
            high = part.high_w * supply_most * (1 + SLACK)
            usual = usual_w.get(i)
            firm_w = resistive.drawn_w(i, volts) if part.resistive else None
            if firm_w is not None and not low <= firm_w <= high:
                firm_w = None  # it is known to be ill: that is told by the plate
            if usual is None or part.resistive:
                usual = expected if firm_w is None else firm_w
            else:
                usual = min(max(coarse(usual), 0.2 * expected), 1.3 * expected)
            table.low.append(low)
            table.high.append(high)
            table.least.append(least)
            table.band_low.append(band_low)
            table.band_high.append(band_high)
            table.expected.append(expected)
            table.usual.append(usual)
            table.known.append(firm_w is not None or (i in usual_w and not part.resistive))
            table.firm.append(firm_w or 0.0)
        return table
