"""Loads discovered without any plate: what switches, with how many watts, how it switches, and whether it is resistive.

Pure, for whole logs. Steps up are paired with the steps down that undo them, and pairs of like watts are one load.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Literal

from loadbook.recognise.explain import Level

LEAST_STEP_W = 45.0
"""Smaller loads seldom switch alone (a pump stops as a valve opens): they are told from the levels instead."""
LEAST_SHARE = 0.04
"""A step smaller than this share of the level is that load's own wandering."""
LEAST_LEVEL_W = 4.0
LEAST_LEVEL_S = 8.0
PAIR_SHARE = 0.25
PAIR_W = 6.0
"""A step down undoes a step up when they differ by at most this."""
LIKE = 1.22
"""Sorted by watts, neighbours nearer than this are one load: a motor varies, but without holes."""
KNOWN = 1.25
FORGET_MS = 6 * 3_600_000
MOST_OPEN = 12
STROKE_S = 30.0
DOMINANT = 0.75
"""A power factor is the load's own where the load is at least this share of what is on."""
RESISTIVE_PF = 0.96
"""Heaters are at 0.97 to 1, motors and electronics below 0.95 (the ACS-F1 data: coffee machines 0.97, fridges 0.67)."""

How = Literal["steady", "cycling", "strokes"]


@dataclass(frozen=True, slots=True)
class Load:
    """One load: its usual watts and their range, how often and how long it was on, and what it is like.

    ``how``: ``strokes`` (on for seconds, again and again: a reversing drum, a dosing valve), ``cycling`` (on and off
    by minutes: a thermostat), ``steady``. ``power_factor`` is P / (V·I) while it dominates; None where not measured.
    """

    power_w: float
    low_w: float
    high_w: float
    switched: int
    on_s: float
    usual_on_s: float
    how: How
    power_factor: float | None = None
    resistive: bool | None = None


@dataclass(slots=True)
class _Pair:
    power_w: float
    on_s: float
    power_factors: list[float]


def discover(levels: Sequence[Level]) -> list[Load]:
    """Loads, the largest first. ``levels`` are those of one or more cycles, in order of time."""
    pairs: list[_Pair] = []
    waiting: list[tuple[int, float]] = []
    for before, after in pairwise(levels):
        if after.start_ms - before.end_ms > 1000:
            waiting.clear()  # across a gap nobody knows what switched
            continue
        step_w = after.power_w - before.power_w
        if abs(step_w) < max(LEAST_STEP_W, LEAST_SHARE * max(before.power_w, after.power_w)):
            continue
        at_ms = after.start_ms
        if step_w > 0:
            waiting.append((at_ms, step_w))
            waiting = [w for w in waiting if at_ms - w[0] <= FORGET_MS][-MOST_OPEN:]
            continue
        like = [w for w in waiting if abs(w[1] + step_w) <= max(PAIR_W, PAIR_SHARE * w[1])]
        if like:
            best = min(like, key=lambda w: (abs(w[1] + step_w) / w[1], -w[0]))
            waiting.remove(best)
            power_w = (best[1] - step_w) / 2
            pairs.append(_Pair(power_w, (at_ms - best[0]) / 1000, _factors(levels, best[0], at_ms, power_w)))
    found = [_load(group) for group in _groups(pairs) if len(group) > 1 or group[0].on_s >= STROKE_S]
    found += _from_levels(levels, found)
    return sorted(found, key=lambda load: -load.power_w)


def _from_levels(levels: Sequence[Level], known: Sequence[Load]) -> list[Load]:
    """Loads that are told by a level they hold alone: what stands above the lowest and is not known yet."""
    base_w = min((level.power_w for level in levels if level.seconds >= LEAST_LEVEL_S), default=0.0)
    runs: list[_Pair] = []
    last_end_ms = -1
    for level in levels:
        watts = level.power_w - base_w
        if level.seconds < LEAST_LEVEL_S or watts < LEAST_LEVEL_W or watts > LEAST_LEVEL_W * 100:
            continue
        factor = [level.power_w / (level.volts * level.amps)] if level.volts and level.amps else []
        if runs and level.start_ms - last_end_ms <= 1000 and _like(runs[-1].power_w, watts, LIKE * LIKE):
            runs[-1].on_s += level.seconds  # a pump that runs dry draws less
        else:
            runs.append(_Pair(watts, level.seconds, factor))
        last_end_ms = level.end_ms
    out = []
    for group in _groups(runs):
        load = _load(group)
        if load.on_s >= STROKE_S and not any(_like(k.low_w, load.power_w, KNOWN) or
                                             k.low_w <= load.power_w <= k.high_w for k in known):  # fmt: skip
            out.append(load)
    return out


def _like(left: float, right: float, ratio: float) -> bool:
    return max(left, right) <= ratio * min(left, right)


def _factors(levels: Sequence[Level], from_ms: int, until_ms: int, power_w: float) -> list[float]:
    """P / (V·I) at the levels on which this load is most of what is on."""
    out = []
    for level in levels:
        if level.start_ms < from_ms or level.end_ms > until_ms or not level.volts or not level.amps:
            continue
        if power_w >= DOMINANT * level.power_w and level.seconds >= 3.0:
            out.append(level.power_w / (level.volts * level.amps))
    return out


def _groups(pairs: Sequence[_Pair]) -> list[list[_Pair]]:
    groups: list[list[_Pair]] = []
    for pair in sorted(pairs, key=lambda p: -p.power_w):
        if groups and _like(groups[-1][-1].power_w, pair.power_w, LIKE):
            groups[-1].append(pair)
        else:
            groups.append([pair])
    return groups


def _load(group: Sequence[_Pair]) -> Load:
    watts = [p.power_w for p in group]
    usual_on_s = median(p.on_s for p in group)
    how: How = "steady"
    if len(group) >= 6 and usual_on_s <= STROKE_S:
        how = "strokes"
    elif len(group) >= 3:
        how = "cycling"
    factors = [f for p in group for f in p.power_factors if 0 < f <= 1.1]
    factor = median(factors) if factors else None
    return Load(
        power_w=round(median(watts), 1),
        low_w=round(min(watts), 1),
        high_w=round(max(watts), 1),
        switched=len(group),
        on_s=round(sum(p.on_s for p in group), 1),
        usual_on_s=round(usual_on_s, 1),
        how=how,
        power_factor=None if factor is None else round(min(factor, 1.0), 3),
        resistive=None if factor is None else factor >= RESISTIVE_PF,
    )
