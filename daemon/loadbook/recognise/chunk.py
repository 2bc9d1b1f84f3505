"""A chunk of readings as integer columns, made once, so that whole stretches can be skipped.

Pure. Units as in ``totals``: mW, mV, mA, mWh of the counter, ms.
"""

from __future__ import annotations

from bisect import bisect_left

import numpy as np
import numpy.typing as npt

from loadbook.judge.supply import Breach, RunningMean
from loadbook.reading import HOLD_MS, Column, Series
from loadbook.recognise.plateau import LOOK_ONE_BY_ONE, IntColumn, Powers
from loadbook.recognise.totals import NO_VALUE, Totals


def thousandths(column: Column) -> IntColumn:
    """float64[n] to int64[n] of thousandths, rounded as ``round`` does; NaN becomes NO_VALUE."""
    scaled = np.rint(column * 1000)
    return np.where(np.isnan(scaled), NO_VALUE, scaled).astype(np.int64)


def _prefix(column: npt.NDArray[np.int64]) -> IntColumn:
    sums = np.empty(column.shape[0] + 1, dtype=np.int64)
    sums[0] = 0
    np.cumsum(column, out=sums[1:])
    return sums


class Chunk:
    """Readings ``0`` to ``n - 1``, strictly later one after the other, none without power."""

    def __init__(self, series: Series) -> None:
        n = len(series)
        none = np.full(n, NO_VALUE, dtype=np.int64)
        self.at_ms: IntColumn = series.at_ms
        self.times: list[int] = series.at_ms.tolist()
        self.powers = Powers.of(thousandths(series.power_w))
        self.volts = none if series.voltage_v is None else thousandths(series.voltage_v)
        amps = none if series.current_a is None else thousandths(series.current_a)
        counter = none if series.energy_wh is None else thousandths(series.energy_wh)
        self._listed: tuple[list[int], ...] = (
            self.times, self.powers.listed, self.volts.tolist(), amps.tolist(), counter.tolist(),
        )  # fmt: skip
        self._has_volts = series.voltage_v is not None
        there = self.volts != NO_VALUE
        self._volt_sums = _prefix(np.where(there, self.volts, 0)) if self._has_volts else None
        self._volt_counts = _prefix(there.astype(np.int64)) if self._has_volts else None
        dt_ms = np.diff(series.at_ms, prepend=series.at_ms[:1])
        energy = np.zeros(n, dtype=np.int64)
        energy[1:] = self.powers.column[:-1] * np.minimum(dt_ms[1:], HOLD_MS)
        self._energy_sums = _prefix(energy)
        self._stops: list[int] = np.flatnonzero(dt_ms > HOLD_MS).tolist()
        self._steps = np.abs(np.diff(self.powers.column, prepend=self.powers.column[:1]))
        self.finest_mw = int(self._steps[self._steps > 0].min()) if bool((self._steps > 0).any()) else 0
        """The smallest step between two readings of the chunk, mW; 0 where nothing moves."""

    def __len__(self) -> int:
        return len(self.times)

    def breaches(self, series: Series, voltage: RunningMean, frequency: RunningMean, gone_mv: int) -> list[Breach]:
        """What the running means of voltage and frequency find in it, in order of time. Below ``gone_mv`` there is no
        supply to be judged."""
        supplied = self.volts > gone_mv
        found = voltage.add_column(self.at_ms[supplied], self.volts[supplied])
        if series.frequency_hz is not None:
            hz = thousandths(series.frequency_hz)
            there = (hz > 0) & (supplied | (self.volts == NO_VALUE))
            found += frequency.add_column(self.at_ms[there], hz[there])
        return sorted(found, key=lambda b: b.at_ms)

    def row(self, at: int) -> tuple[int, int, int, int, int]:
        """Time, power, voltage, current, counter of one reading."""
        times, powers, volts, amps, counter = self._listed
        return times[at], powers[at], volts[at], amps[at], counter[at]

    def recent(self, first: int, last: int) -> list[tuple[int, int, int, int]]:
        """Time, power, voltage, current of readings that have a voltage."""
        if not self._has_volts:
            return []
        times, powers, volts, amps, _ = (column[first:last] for column in self._listed)
        rows = list(zip(times, powers, volts, amps, strict=True))
        return [row for row in rows if row[2] != NO_VALUE] if NO_VALUE in volts else rows

    def first_at_or_after(self, at_ms: int, first: int) -> int:
        return bisect_left(self.times, at_ms, first)

    def flips(self, gone_mv: int, zero_mw: int, gone_before: bool) -> list[int]:
        """Indices of readings at which the supply goes or comes: below ``gone_mv``, or without volts ``zero_mw``."""
        gone = np.where(self.volts != NO_VALUE, self.volts < gone_mv, self.powers.column < zero_mw)
        flips: list[int] = np.flatnonzero(np.diff(gone, prepend=gone_before)).tolist()
        return flips

    def next_stop(self, at: int, flips: list[int]) -> int:
        """The next reading that comes after a gap, or at which the supply goes or comes."""
        n = len(self.times)
        stops = self._stops
        k = bisect_left(stops, at)
        stop = stops[k] if k < len(stops) else n
        if flips:
            k = bisect_left(flips, at)
            stop = min(stop, flips[k] if k < len(flips) else n)
        return stop

    def finest(self, first: int, last: int) -> int:
        """The smallest step between two readings, mW, 0 where none."""
        steps = self._steps[first:last]
        steps = steps[steps > 0]
        return int(steps.min()) if steps.shape[0] else 0

    def add_to(self, totals: Totals, first: int, last: int) -> None:
        """Adds readings ``first`` to ``last - 1`` (no gap before any of them but the first may be short)."""
        totals.add(*self._for_totals(first))
        if last - first > 1:
            totals.energy_mwms += int(self._energy_sums[last]) - int(self._energy_sums[first + 1])
            if self._volt_sums is not None and self._volt_counts is not None:
                totals.volts_mv += int(self._volt_sums[last]) - int(self._volt_sums[first + 1])
                totals.volts_n += int(self._volt_counts[last]) - int(self._volt_counts[first + 1])
            totals.at_ms, totals.power_mw = self.times[last - 1], self.powers.listed[last - 1]
            totals.counter_mwh = self._listed[4][last - 1]
            short = last - first <= LOOK_ONE_BY_ONE
            most = max(self.powers.listed[first:last]) if short else int(self.powers.column[first:last].max())
            totals.peak_mw = max(totals.peak_mw, most)

    def _for_totals(self, at: int) -> tuple[int, int, int, int]:
        at_ms, power_mw, volts_mv, _, counter_mwh = self.row(at)
        return at_ms, power_mw, volts_mv, counter_mwh
