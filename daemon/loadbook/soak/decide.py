"""The decision rule: is a requirement Met, Not met, Undecided, or Not assessed, given the meter's uncertainty. Pure.

The rule (its words stand in ``RULE``) is a guard band of the whole uncertainty U on either side of a limit, as
ILAC-G8:09/2019 section 4.2.2 and JCGM 106:2012 section 8.3.2 describe guarded acceptance: a value is accepted only
inside the limits reduced by U and rejected only outside the limits widened by U; between the two nobody can say.
U is the limit of error the meter's class states, a part of the reading plus a fixed part.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

RULE_ID = "guard-band-1"
RULE = (
    "A measured value meets a limit when it lies inside the limit by at least U, and does not meet it when it lies "
    "outside by more than U. In between it is undecided. U is the limit of error stated for the meter's class; the "
    "guard band is the whole of U."
)


class Finding(StrEnum):
    """What can be said of one requirement."""

    MET = "met"
    NOT_MET = "not_met"
    UNDECIDED = "undecided"
    NOT_ASSESSED = "not_assessed"


WORST_FIRST = (Finding.NOT_MET, Finding.NOT_ASSESSED, Finding.UNDECIDED, Finding.MET)
"""The order in which one finding outweighs another when a verdict is drawn from several."""


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A meter's stated limit of error: ``class_percent`` of the reading plus ``fixed`` in the quantity's own unit.

    ``fixed`` is None where the sheet does not state one: then small values cannot be judged.
    """

    class_percent: float
    fixed: float | None = None

    def uncertainty(self, value: float) -> float:
        """U of a reading, in its own unit."""
        return abs(value) * self.class_percent / 100.0 + (self.fixed or 0.0)


@dataclass(frozen=True, slots=True)
class Bounds:
    """What a requirement allows, in the quantity's unit; at least one side is set."""

    low: float | None = None
    high: float | None = None

    def undecidable(self, accuracy: Accuracy) -> str | None:
        """Why a meter of that accuracy can never find these limits met, or None where it can.

        The zone of acceptance is what the guard bands leave between the limits.
        """
        if self.low is None or self.high is None:
            return None
        p = accuracy.class_percent / 100.0
        fixed = accuracy.fixed or 0.0
        # y is accepted when low + U(y) <= y <= high - U(y), and U grows with y.
        lowest = math.inf if p >= 1 else (self.low + fixed) / (1 - p)
        highest = (self.high - fixed) / (1 + p)
        if lowest < highest:
            return None
        return (
            f"limits {self.low:g} to {self.high:g} leave nothing between their guard bands for a meter of class "
            f"{accuracy.class_percent:g} %; widen them or use a better meter"
        )

    def zone_left(self, accuracy: Accuracy) -> float:
        """Share of the band in which a value is found to be met, 0 to 1, with U taken at the band's middle."""
        if self.low is None or self.high is None or self.high <= self.low:
            return 0.0
        u = accuracy.uncertainty((self.low + self.high) / 2.0)
        return max(0.0, (self.high - self.low - 2.0 * u) / (self.high - self.low))


def decide(value: float | None, limits: Bounds, accuracy: Accuracy | None) -> Finding:
    """The finding for one value. Without a value or without an accuracy nothing is assessed."""
    if value is None or accuracy is None or not math.isfinite(value):
        return Finding.NOT_ASSESSED
    u = accuracy.uncertainty(value)
    margins = []
    if limits.low is not None:
        margins.append(value - limits.low)
    if limits.high is not None:
        margins.append(limits.high - value)
    if not margins:
        return Finding.NOT_ASSESSED
    tightest = min(margins)
    if tightest < -u:
        return Finding.NOT_MET
    return Finding.MET if tightest >= u else Finding.UNDECIDED


def worst(findings: list[Finding]) -> Finding:
    """The finding that stands for several: Not met > Not assessed > Undecided > Met. None at all: not assessed."""
    for candidate in WORST_FIRST:
        if candidate in findings:
            return candidate
    return Finding.NOT_ASSESSED


def worst_case_false_accept(guard_band_in_u: float) -> float:
    """Probability that a value accepted at the very edge of the zone is really outside the limit.

    ``guard_band_in_u`` is w/U; U is the expanded uncertainty at k = 2, the error taken as normal. ILAC-G8:09/2019
    table 1: 0 gives 50 %, 1 gives 2.5 % (rounded: k = 2 is 2.28 %).
    """
    return 0.5 * math.erfc(2.0 * guard_band_in_u / math.sqrt(2.0))


def success_lower_bound(good: int, confidence: float = 0.95) -> float:
    """Lower bound on the share of good cycles that ``good`` of ``good`` supports: (1 - confidence)^(1/n)."""
    if good <= 0:
        return 0.0
    return float((1.0 - confidence) ** (1.0 / good))


def deviation_sentence(good: int, tested: int) -> str:
    """What n of m cycles show, and what they do not; never 'safe', never 'repaired'."""
    if tested == 0:
        return "No cycle was completed, so nothing can be said."
    if good < tested:
        return f"A deviation in {tested - good} of {tested} {_cycles(tested)}."
    bound = success_lower_bound(good)
    return (
        f"No deviation in {good} of {tested} {_cycles(tested)}. With {tested} tested, this shows with 95 % confidence "
        f"that at least {bound * 100:.0f} % of such cycles run without one; it shows nothing about faults that come "
        "more rarely, nor about electrical safety."
    )


def _cycles(count: int) -> str:
    return "cycle" if count == 1 else "cycles"
