"""The energy that has flowed by any instant, in whole microjoules, from a log of readings.

``loadbook.energy`` says what flowed in each step and for how long; here each step becomes a ramp of an integer curve.
Energy between two instants is a difference on that curve, so cutting at any instant loses and gains nothing.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from loadbook.energy import flow_wh
from loadbook.reading import Series

UJ_PER_WH = 3_600_000_000
UJ_PER_KWH = 1000 * UJ_PER_WH
CHUNK = 1 << 17
"""Readings looked at together: bounds the memory needed for a year of readings."""

Ints = npt.NDArray[np.int64]
_SAFE = 1 << 62


def measured(series: Series) -> Series:
    """The same log without the rows that have no power: they are presence, not measurement."""
    keep = ~np.isnan(series.power_w)
    if bool(keep.all()):
        return series
    counter = None if series.energy_wh is None else series.energy_wh[keep]
    return Series(at_ms=series.at_ms[keep], power_w=series.power_w[keep], energy_wh=counter, meter=series.meter)


class EnergyCurve:
    """Microjoules that flowed since the first reading, as a function of time.

    Within a step the energy flows evenly over the part of the step in which it is known to flow; the curve is cut off
    downwards to whole microjoules there. Before the first reading and after the last it is flat.
    """

    __slots__ = ("_series",)

    def __init__(self, series: Series) -> None:
        self._series = measured(series)

    @property
    def first_ms(self) -> int:
        return int(self._series.at_ms[0]) if len(self._series) else 0

    @property
    def last_ms(self) -> int:
        return int(self._series.at_ms[-1]) if len(self._series) else 0

    def at(self, instants: Ints) -> Ints:
        """The curve at ``instants`` (int64[m], in order of time), as int64[m]."""
        result = np.zeros(instants.shape, dtype=np.int64)
        total = len(self._series)
        before = 0
        for first in range(0, max(total - 1, 0), CHUNK):
            part = self._series.slice(first, min(first + CHUNK + 1, total))
            wh, span_ms = flow_wh(part)
            step_uj = np.rint(wh * UJ_PER_WH).astype(np.int64)
            lo, hi = np.searchsorted(instants, (part.at_ms[0], part.at_ms[-1]), side="left")
            if hi > lo:
                known = np.concatenate(([0], np.cumsum(step_uj)))
                result[lo:hi] = before + _within(instants[lo:hi], part.at_ms, known, step_uj, span_ms)
                before += int(known[-1])
            else:
                before += int(step_uj.sum())
            result[hi:] = before
        return result

    def between(self, start_ms: int, end_ms: int) -> int:
        """Microjoules that flowed from ``start_ms`` until ``end_ms``."""
        both = self.at(np.array([start_ms, end_ms], dtype=np.int64))
        return int(both[1] - both[0])


def _within(instants: Ints, at_ms: Ints, known: Ints, step_uj: Ints, span_ms: Ints) -> Ints:
    """The curve at instants that lie inside a part of the log."""
    step = np.searchsorted(at_ms, instants, side="right") - 1
    span = np.maximum(span_ms[step], 1)
    into = np.clip(instants - at_ms[step], 0, span)
    energy = step_uj[step]
    ramp = energy * into // span
    large = np.abs(energy.astype(np.float64)) * into > _SAFE  # a counter over days of gap: beyond 64 bits
    for i in np.flatnonzero(large):
        ramp[i] = int(energy[i]) * int(into[i]) // int(span[i])
    return np.asarray(known[step] + ramp, dtype=np.int64)
