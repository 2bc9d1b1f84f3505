"""One-minute figures from full-rate readings: lowest, mean, highest, and exact energy. Arithmetic only."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from loadbook.energy import steps_wh
from loadbook.reading import QUANTITIES, Column, Series
from loadbook.store.readings import Minutes

MINUTE_MS = 60_000
AFTER_MS = 400 * 86_400_000
"""How far ahead the reading after a span is looked for: across a gap the meter's counter says what flowed."""


def with_power(series: Series) -> Series:
    """The rows that have a power."""
    known = ~np.isnan(series.power_w)
    if known.all():
        return series
    columns = {q.name: (None if (c := series.column(q.name)) is None else c[known]) for q in QUANTITIES}
    return Series(at_ms=series.at_ms[known], meter=series.meter, **columns)  # type: ignore[arg-type]


def energy_of(series: Series) -> float:
    """Energy in Wh of a stretch of full-rate readings, by the house's rule; the last one is not held."""
    series = with_power(series)
    return float(steps_wh(series).sum()) if len(series) > 1 else 0.0


def minutes_of(series: Series, end_ms: int | None = None) -> Minutes:
    """Energy by the minute. Rows from ``end_ms`` on only end the last step."""
    series = with_power(series)
    if len(series) == 0:
        return Minutes(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0))
    steps = np.append(steps_wh(series), 0.0) if len(series) > 1 else np.zeros(1)
    inside = len(series) if end_ms is None else int(np.searchsorted(series.at_ms, end_ms))
    if inside == 0:
        return Minutes(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0))
    minute_ms, first = np.unique(series.at_ms[:inside] // MINUTE_MS * MINUTE_MS, return_index=True)
    counter = np.full(len(minute_ms), np.nan)
    if series.energy_wh is not None:
        counter = series.energy_wh[np.append(first[1:], inside) - 1]
    return Minutes(minute_ms, np.add.reduceat(steps[:inside], first), counter)


def rows_of(series: Series, end_ms: int) -> list[tuple[float | int | None, ...]]:
    """Rows of the table ``minute`` without the meter: minute_ms, readings, power and voltage (lowest, mean, highest),
    energy, counter. Rows from ``end_ms`` on only end the last step."""
    series = with_power(series)
    energy = minutes_of(series, end_ms)
    inside = int(np.searchsorted(series.at_ms, end_ms))
    if inside == 0:
        return []
    first = np.searchsorted(series.at_ms[:inside], energy.minute_ms)
    readings = np.diff(np.append(first, inside))
    power = _spread(series.power_w[:inside], first, readings)
    volts = _spread(None if series.voltage_v is None else series.voltage_v[:inside], first, readings)
    columns = (energy.minute_ms, readings, *power, *volts, energy.energy_wh, energy.counter_wh)
    return [
        tuple(None if isinstance(v, float) and v != v else v for v in row)
        for row in zip(*(c.tolist() for c in columns), strict=True)
    ]


def _spread(
    column: Column | None, first: npt.NDArray[np.int64], readings: npt.NDArray[np.int64]
) -> tuple[Column, Column, Column]:
    """Lowest, mean and highest of each minute; NaN where the minute has no value."""
    if column is None:
        nothing = np.full(len(first), np.nan)
        return nothing, nothing, nothing
    known = ~np.isnan(column)
    n = np.add.reduceat(known.astype(np.int64), first)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.add.reduceat(np.where(known, column, 0.0), first) / n
    low = np.minimum.reduceat(np.where(known, column, np.inf), first)
    high = np.maximum.reduceat(np.where(known, column, -np.inf), first)
    low[n == 0] = high[n == 0] = np.nan
    return low, mean, high
