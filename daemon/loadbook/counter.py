"""The meter's own energy counter: what it advanced by, over resets and roll-overs, beside what power adds up to.

Pure. ``loadbook.energy`` uses the counter only across gaps; here the two are compared, so that a wrong scale, a wrong
current transformer or a meter that misses short draws is noticed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from loadbook.energy import MS_PER_H
from loadbook.reading import HOLD_MS, Column, Series

MOST_W = 25_000.0
"""More than a domestic circuit can carry: a counter that seems to have advanced faster was reset, not rolled over."""
SURE_MS = 60_000
"""Across a longer gap anything may have flowed, and a counter that was reset would pass for one that rolled over: then
only what flows in so long a time is taken for that."""
ROLLS_OVER_WH: tuple[float, ...] = tuple(
    sorted(
        {10.0**k for k in range(4, 11)} | {2.0**bits * scale for bits in (16, 32) for scale in (0.1, 1.0, 10.0, 100.0)}
    )
)
"""Where counters begin anew, Wh: at a power of ten of their display, or when 16 or 32 bits are full (common practice,
no source)."""
ENOUGH_STEPS = 50
"""The counter must have moved by so many of its smallest steps before a comparison says anything."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Counter against power over the same stretches of a log (gaps left out), Wh."""

    counted_wh: float
    integrated_wh: float
    resolution_wh: float
    """The counter's smallest step seen."""
    resets: int
    rollovers: int

    @property
    def differs_percent(self) -> float | None:
        """Counter less power, in per cent of power; None while the counter has not moved enough to tell."""
        if self.resolution_wh <= 0 or min(self.counted_wh, self.integrated_wh) < ENOUGH_STEPS * self.resolution_wh:
            return None
        return 100.0 * (self.counted_wh - self.integrated_wh) / self.integrated_wh


def advance_wh(before_wh: float, after_wh: float, dt_ms: int) -> tuple[float, bool] | None:
    """(what a counter advanced by, whether it rolled over); None when it was reset: then nobody knows."""
    if after_wh >= before_wh:
        return after_wh - before_wh, False
    most_wh = MOST_W * min(max(dt_ms, 1000), SURE_MS) / MS_PER_H + 1.0
    for full_wh in ROLLS_OVER_WH:
        if before_wh <= full_wh and after_wh - before_wh + full_wh <= most_wh:
            return after_wh - before_wh + full_wh, True
    return None


def advanced_wh(at_ms: npt.NDArray[np.int64], counter_wh: Column) -> float | None:
    """What a counter advanced by from its first to its last value, over roll-overs; NaN where it has none.

    None where it has fewer than two values, or was reset in between: the last less the first would then be any number.
    """
    there = ~np.isnan(counter_wh)
    step_wh, resets, _ = _steps_wh(at_ms[there], counter_wh[there])
    return None if resets or len(step_wh) == 0 else float(step_wh.sum())


def compare(series: Series) -> Comparison:
    """Compare counter and power over a stretch of full-rate readings."""
    if series.energy_wh is None or len(series) < 2:
        return Comparison(0.0, 0.0, 0.0, 0, 0)
    there = ~np.isnan(series.energy_wh) & ~np.isnan(series.power_w)
    at_ms, power_w, counter_wh = series.at_ms[there], series.power_w[there], series.energy_wh[there]
    dt_ms = np.diff(at_ms)
    step_wh, resets, rollovers = _steps_wh(at_ms, counter_wh)
    use: npt.NDArray[np.bool_] = (dt_ms <= HOLD_MS) & ~np.isnan(step_wh)
    moved: Column = step_wh[use & (step_wh > 0)]
    return Comparison(
        float(step_wh[use].sum()),
        float((power_w[:-1][use] * dt_ms[use]).sum() / MS_PER_H),
        float(moved.min()) if len(moved) else 0.0,
        resets,
        rollovers,
    )


def _steps_wh(at_ms: npt.NDArray[np.int64], counter_wh: Column) -> tuple[Column, int, int]:
    """(what each of the n - 1 steps advanced by, NaN where it was reset; how many resets, roll-overs)."""
    dt_ms: npt.NDArray[np.int64] = np.diff(at_ms)
    step_wh: Column = np.diff(counter_wh)
    resets = rollovers = 0
    for i in np.flatnonzero(step_wh < 0).tolist():
        found = advance_wh(float(counter_wh[i]), float(counter_wh[i + 1]), int(dt_ms[i]))
        if found is None:
            resets += 1
            step_wh[i] = np.nan
        else:
            rollovers += 1
            step_wh[i] = found[0]
    return step_wh, resets, rollovers
