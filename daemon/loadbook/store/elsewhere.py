"""Reading full rate that is no longer in the board's file: from a server, or from an archive, by the same queries."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

import numpy as np

from loadbook.reading import Series
from loadbook.store.connect import READINGS_FILE, read_only
from loadbook.store.minutes import MINUTE_MS
from loadbook.store.readings import ALL_QUANTITIES, Envelope, joined
from loadbook.store.sqlite_readings import SqliteReader, StoreError

log = logging.getLogger(__name__)


class Elsewhere(Protocol):
    """Where the full rate of old days is."""

    def read(self, meter: str, start_ms: int, end_ms: int, quantities: Sequence[str] = ALL_QUANTITIES) -> Series:
        """What is there of a meter in the span, in order of time, each instant once. Raises StoreError."""


class WithElsewhere(SqliteReader):
    """Reads what is here from here, and full rate that has been dropped here from elsewhere."""

    elsewhere: Elsewhere

    @classmethod
    def beside(cls, data: Path, elsewhere: Elsewhere) -> WithElsewhere:
        """For other processes than the recorder; ``data`` is the store's folder. Raises StartError."""
        reader = cls(read_only(data / READINGS_FILE))
        reader.elsewhere = elsewhere
        return reader

    def series(
        self,
        meter: str,
        start_ms: int,
        end_ms: int,
        quantities: Sequence[str] = ALL_QUANTITIES,
        limit: int | None = None,
    ) -> Series:
        here = super().series(meter, start_ms, end_ms, quantities, limit)
        number = self.number(meter)
        if number is None:
            return here
        edge_ms = min(end_ms, self._rolled(number)[1])
        if start_ms >= edge_ms:
            return here
        both = joined([here, self.elsewhere.read(meter, max(start_ms, 0), edge_ms, quantities)], meter)
        return both if limit is None else both.slice(0, limit)

    def envelope(self, meter: str, start_ms: int, end_ms: int, columns: int, quantity: str = "power_w") -> Envelope:
        known = super().envelope(meter, start_ms, end_ms, columns, quantity)
        number = self.number(meter)
        wide = columns > 0 and end_ms - start_ms >= columns * MINUTE_MS
        if number is None or columns <= 0 or wide or start_ms >= self._rolled(number)[1]:
            return known
        try:
            series = self.series(meter, start_ms, end_ms, (quantity,))
        except StoreError as bad:
            log.warning("drawn from one-minute figures: %s", bad)
            return known
        values = series.column(quantity)
        if values is None or len(series) == 0:
            return known
        there = ~np.isnan(values)
        index = ((series.at_ms[there] - start_ms) * columns // (end_ms - start_ms)).astype(np.int64)
        low, high = np.full(columns, np.inf), np.full(columns, -np.inf)
        total, count = np.zeros(columns), np.zeros(columns, dtype=np.int64)
        np.minimum.at(low, index, values[there])
        np.maximum.at(high, index, values[there])
        np.add.at(total, index, values[there])
        np.add.at(count, index, 1)
        fine = count > 0
        mean = np.divide(total, count, out=known.mean.copy(), where=fine)
        # Where elsewhere has nothing either, the minute's figures stand.
        return Envelope(
            start_ms,
            end_ms,
            quantity,
            np.where(fine, low, known.low),
            mean,
            np.where(fine, high, known.high),
            np.where(fine, count, known.readings),
        )
