"""A stretch of readings as a browser draws it: the least and the most of every pixel column, so that no spike is lost.

Pure arithmetic on columns; where the readings come from is handed in as a ``Source``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
from loadbook.reading import HOLD_MS, QUANTITY_BY_NAME, Series
from loadbook.store.readings import Envelope, joined

SHOWN: tuple[str, ...] = ("power_w", "voltage_v", "power_factor")
"""What the timeline draws, from top to bottom."""

EVERY_READING_BELOW_MS = 2000
"""Columns narrower than this get every reading by itself: there is one a second."""

NO_FACTOR_ABOVE_MS = 2 * 86_400_000
"""The power factor has no one-minute figures: over longer spans it is left out rather than read for seconds."""

Floats = npt.NDArray[np.float64]


class Source(Protocol):
    """Where readings come from: a reader of the store."""

    def series(self, meter: str, start_ms: int, end_ms: int, quantities: Sequence[str] = SHOWN) -> Series:
        """Readings of a meter in [start_ms, end_ms), in order of time."""
        ...

    def envelope(self, meter: str, start_ms: int, end_ms: int, columns: int, quantity: str = "power_w") -> Envelope:
        """Lowest, mean and highest per slice of time."""
        ...

    def energy_wh(self, meter: str, start_ms: int, end_ms: int) -> float:
        """Energy used in the span, Wh."""
        ...

    def span(self, meter: str) -> tuple[int, int] | None:
        """(first, last) instant stored of a meter, ms; None for an unknown one."""
        ...


def trace(source: Source, recent: Series, meter: str, *, start_ms: int, end_ms: int, columns: int) -> dict[str, Any]:
    """Least and most per pixel column of [start_ms, end_ms), ready for JSON. ``recent`` is what the store may lack.

    ``at_ms`` holds the instants drawn; a ``null`` in the other lists stands where there was a gap of more than 10 s.
    ``step_ms`` is a column's width, 0 when every reading is there by itself (then there is no ``max``).
    """
    slice_ms = max(1, end_ms - start_ms) / columns
    if slice_ms < EVERY_READING_BELOW_MS:
        stored = source.series(meter, start_ms, end_ms, SHOWN)
        last_ms = int(stored.at_ms[-1]) if len(stored) else start_ms - 1
        series = joined([stored, _between(recent, last_ms + 1, end_ms)], meter)
        if len(series) <= 4 * columns:
            return _every_reading(series)
        return _columns(
            start_ms, end_ms, columns, {name: grid(series, name, start_ms, end_ms, columns) for name in SHOWN}
        )
    grids: dict[str, tuple[Floats, Floats]] = {}
    for name in SHOWN:
        if name == "power_factor" and end_ms - start_ms > NO_FACTOR_ABOVE_MS:
            continue
        envelope = source.envelope(meter, start_ms, end_ms, columns, name)
        low, high = grid(recent, name, start_ms, end_ms, columns)
        grids[name] = np.fmin(envelope.low, low), np.fmax(envelope.high, high)
    return _columns(start_ms, end_ms, columns, grids)


def _between(series: Series, start_ms: int, end_ms: int) -> Series:
    first, last = np.searchsorted(series.at_ms, [start_ms, end_ms])
    return series.slice(int(first), int(last))


def grid(series: Series, name: str, start_ms: int, end_ms: int, columns: int) -> tuple[Floats, Floats]:
    """(least, most) per column, float64[columns], NaN where nothing was read."""
    low, high = np.full(columns, np.inf), np.full(columns, -np.inf)
    values = series.column(name)
    if values is not None and len(series):
        inside = (series.at_ms >= start_ms) & (series.at_ms < end_ms) & np.isfinite(values)
        place = ((series.at_ms[inside] - start_ms) * columns // max(1, end_ms - start_ms)).astype(np.int64)
        np.minimum.at(low, place, values[inside])
        np.maximum.at(high, place, values[inside])
    low[np.isinf(low)] = np.nan
    high[np.isinf(high)] = np.nan
    return low, high


def _every_reading(series: Series) -> dict[str, Any]:
    at_ms = series.at_ms
    breaks = np.flatnonzero(np.diff(at_ms) > HOLD_MS) + 1
    found: dict[str, Any] = {"step_ms": 0, "at_ms": np.insert(at_ms, breaks, at_ms[breaks - 1] + 1).tolist()}
    for name in SHOWN:
        values = series.column(name)
        found[name] = None
        if values is not None and np.isfinite(values).any():
            found[name] = {"min": _said(np.insert(values, breaks, np.nan), name), "max": None}
    return found


def _columns(start_ms: int, end_ms: int, columns: int, grids: dict[str, tuple[Floats, Floats]]) -> dict[str, Any]:
    """Columns without a reading are left out, but for one in each gap."""
    slice_ms = (end_ms - start_ms) / columns
    at_ms = start_ms + (np.arange(columns, dtype=np.int64) * (end_ms - start_ms)) // columns
    filled = np.zeros(columns, dtype=bool)
    for low, _ in grids.values():
        filled |= np.isfinite(low)
    there = np.flatnonzero(filled)
    keep = filled.copy()
    if len(there) > 1:
        wide = np.diff(there) * slice_ms > HOLD_MS + slice_ms
        keep[there[:-1][wide] + 1] = True
    found: dict[str, Any] = {"step_ms": round(slice_ms), "at_ms": at_ms[keep].tolist()}
    for name in SHOWN:
        found[name] = None
        if name in grids and np.isfinite(grids[name][0]).any():
            low, high = grids[name]
            found[name] = {"min": _said(low[keep], name), "max": _said(high[keep], name)}
    return found


def _said(values: Floats, name: str) -> list[float | None]:
    decimals = min(2, QUANTITY_BY_NAME[name].decimals)
    return [None if v != v else round(v, decimals) for v in values.tolist()]
