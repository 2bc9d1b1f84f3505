"""Heater resistance: from the step a heater makes when it switches, and what has become of it over many cycles.

Pure. R = V² / P, with V the supply while the heater is on and P the step alone, so that motors and controls beside it
do not count. A resistance needs the supply's voltage; without it there is only a change of watts, which may be the
supply's. A good element keeps its resistance within a percent or two for years; warm and cold differ by about as much.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from loadbook.recognise.explain import Level

LEAST_STEP_W = 400.0
WINDOW_MS = 60_000
"""On either side of a switching: long enough to catch a reversing drum at rest on both."""
SETTLE_MS = 2_000
"""Registers of one meter are not read at one instant: nothing this near to a switching counts."""
LEAST_MS = 3_000
OTHERS_SHARE = 0.5
"""A step of less than this share of the level is not the heater's, but a motor's beside it."""

FIRST_CYCLES = 5
LAST_CYCLES = 3
NORMAL = 0.03
"""A change beyond 3 % is the heater's or its joints', not the meter's: of class 1, its V² / P is good to about 2 %."""


@dataclass(frozen=True, slots=True)
class HeaterStep:
    """One switching of a heater: when, the watts of the step, and its resistance (None without voltage)."""

    at_ms: int
    power_w: float
    resistance_ohm: float | None


def heater_steps(levels: Sequence[Level], least_w: float = LEAST_STEP_W) -> list[HeaterStep]:
    """Every switching of the largest load that switches at once; of all loads, the heater is the largest.

    Each side is taken where it is lowest, so that a drum that turns now and then beside the heater does not count.
    """
    edges = [
        i
        for i, (before, after) in enumerate(pairwise(levels))
        if abs(after.power_w - before.power_w) >= max(least_w, OTHERS_SHARE * max(before.power_w, after.power_w))
    ]
    steps: list[HeaterStep] = []
    for place, i in enumerate(edges):
        at_ms = levels[i + 1].start_ms
        from_ms = max(at_ms - WINDOW_MS, levels[edges[place - 1] + 1].start_ms if place else 0)
        until_ms = at_ms + WINDOW_MS
        if place + 1 < len(edges):
            until_ms = min(until_ms, levels[edges[place + 1]].end_ms)
        left = _lowest(levels, from_ms, at_ms - SETTLE_MS)
        right = _lowest(levels, at_ms + SETTLE_MS, until_ms)
        if left is None or right is None:
            continue
        on, off = (right, left) if right.power_w > left.power_w else (left, right)
        step_w = on.power_w - off.power_w
        if step_w >= least_w:
            steps.append(HeaterStep(at_ms, step_w, on.volts**2 / step_w if on.volts else None))
    most_w = max((s.power_w for s in steps), default=0.0)
    return [s for s in steps if s.power_w >= 0.6 * most_w]


def _lowest(levels: Sequence[Level], from_ms: int, until_ms: int) -> Level | None:
    """The lowest level that lasted a few seconds between two instants."""
    inside = [level for level in levels if min(level.end_ms, until_ms) - max(level.start_ms, from_ms) >= LEAST_MS]
    return min(inside, key=lambda level: level.power_w, default=None)


def resistance_of(levels: Sequence[Level]) -> float | None:
    """The heater's resistance in one cycle, ohm: the median over its switchings."""
    seen = [s.resistance_ohm for s in heater_steps(levels) if s.resistance_ohm is not None]
    return median(seen) if seen else None


@dataclass(frozen=True, slots=True)
class ResistanceChange:
    """What became of a heater's resistance: at first, of late, the change as a fraction, and since which cycle."""

    first_ohm: float
    last_ohm: float
    change: float
    since_ms: int | None
    """The first cycle that stands beyond the normal spread and is followed by no other within it; None: no change."""

    @property
    def beyond(self) -> bool:
        return abs(self.change) > NORMAL and self.since_ms is not None


def resistance_change(history: Sequence[tuple[int, float]]) -> ResistanceChange | None:
    """Compare the last cycles with the first ones; None where there are too few to say (fewer than three).

    ``history`` is (start of the cycle in ms, ohm), in order of time. Medians, so that one odd cycle decides nothing.
    """
    if len(history) < 3:
        return None
    first = median(ohm for _, ohm in history[: min(FIRST_CYCLES, max(1, len(history) // 2))])
    last = median(ohm for _, ohm in history[-min(LAST_CYCLES, max(1, len(history) // 2)) :])
    since: int | None = None
    for at_ms, ohm in reversed(history):
        if abs(ohm / first - 1) <= NORMAL:
            break
        since = at_ms
    return ResistanceChange(first, last, last / first - 1, since)
