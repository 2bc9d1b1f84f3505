"""What a store of readings can do, whatever is behind it: SQLite on the board, or a server of line protocol."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import numpy.typing as npt

from loadbook.reading import QUANTITIES, Column, Reading, Series

ALL_QUANTITIES: tuple[str, ...] = tuple(q.name for q in QUANTITIES)

Row = tuple[str, Reading]
"""A meter's id and what it said."""


@dataclass(frozen=True, slots=True)
class Delivered:
    """How far pollers have delivered. ``committed``: (session, meter) to the last sequence number, all before it
    included. ``holds``: per meter the runs of its poller that may still send something; the others are forgotten, but
    for a few of the newest."""

    committed: Mapping[tuple[str, str], int] = field(default_factory=dict)
    holds: Mapping[str, Collection[str]] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.committed or self.holds)


NOTHING = Delivered()


@dataclass(slots=True)
class Envelope:
    """One quantity of one meter in ``columns`` equal slices of time, for drawing.

    Slice i covers ``start_ms + i * (end_ms - start_ms) / columns`` up to the next; ``low``, ``mean`` and ``high`` are
    float64[columns] in the quantity's unit, NaN where no reading fell into the slice. ``readings`` is int64[columns].
    """

    start_ms: int
    end_ms: int
    quantity: str
    low: Column
    mean: Column
    high: Column
    readings: npt.NDArray[np.int64]

    def at_ms(self) -> npt.NDArray[np.int64]:
        """Where each slice begins, int64[columns]."""
        n = len(self.low)
        return self.start_ms + (np.arange(n, dtype=np.int64) * (self.end_ms - self.start_ms)) // max(n, 1)


@dataclass(slots=True)
class Minutes:
    """Energy of one meter by the minute, minutes without a reading left out.

    ``minute_ms`` int64[n] is each minute's first millisecond; ``energy_wh`` float64[n] what was used in it (the steps
    that begin in it); ``counter_wh`` float64[n] the meter's counter at its last reading, NaN where there is none.
    """

    minute_ms: npt.NDArray[np.int64]
    energy_wh: Column
    counter_wh: Column


class ReadingReader(Protocol):
    """Reading back. Spans are half open: ``start_ms`` belongs to them, ``end_ms`` does not."""

    def series(
        self,
        meter: str,
        start_ms: int,
        end_ms: int,
        quantities: Sequence[str] = ALL_QUANTITIES,
        limit: int | None = None,
    ) -> Series:
        """Full-rate readings in order of time, at most ``limit``; none for a meter nobody knows."""

    def envelope(self, meter: str, start_ms: int, end_ms: int, columns: int, quantity: str = "power_w") -> Envelope:
        """Lowest, mean and highest per slice; from one-minute figures where the full rate has gone."""

    def energy_wh(self, meter: str, start_ms: int, end_ms: int) -> float:
        """Energy used in the span by the rule of ``loadbook.energy``, exact also where the full rate has gone."""

    def minutes(self, meter: str, start_ms: int, end_ms: int) -> Minutes:
        """Energy by the minute, for minutes that begin in the span; the last one may still grow."""

    def last(self, meter: str) -> Reading | None:
        """The newest reading of a meter."""

    def span(self, meter: str) -> tuple[int, int] | None:
        """(first, last) instant stored of a meter, in ms; None for an unknown one."""

    def meters(self) -> list[str]:
        """Ids of the meters that have readings."""

    def close(self) -> None:
        """Let go of files and connections."""


class ReadingStore(ReadingReader, Protocol):
    """The recorder's side."""

    trouble: str
    """What keeps readings from where they belong at last (a server that is away); empty when nothing does."""

    def settle(self, meter: str, upto_ms: int) -> None:
        """The times of a meter's readings up to there are final: the board's clock was right."""

    def droppable_ms(self, meter: str) -> int:
        """Before this instant the full rate may be dropped here."""

    def append(self, rows: Sequence[Row], delivered: Delivered = NOTHING) -> int:
        """Store readings, and what is thereby delivered; when it returns both survive a power cut. The first of two
        readings of one meter and instant stays.

        Gives how many were new. Raises StoreError, and then nothing of ``rows`` counts as stored.
        """

    def committed(self) -> dict[tuple[str, str], int]:
        """(session, meter) to the sequence number up to which all has been received for good."""

    def shift(self, meter: str, from_ms: int, to_ms: int, by_ms: int, mark: str) -> int:
        """Move the readings of a span in time, all or none, after the board's clock was set. Gives how many.

        ``mark`` names this move: a second one of the same name moves nothing. Raises StoreError.
        """


def empty_series(meter: str, quantities: Sequence[str] = ALL_QUANTITIES) -> Series:
    """A series without a row."""
    none = np.empty(0, dtype=np.float64)
    return Series(at_ms=np.empty(0, dtype=np.int64), power_w=none, meter=meter)


def joined(parts: Sequence[Series], meter: str) -> Series:
    """Series one after another as one, in order of time; of two rows of one instant the first part's stays."""
    parts = [p for p in parts if len(p)]
    if not parts:
        return empty_series(meter)
    if len(parts) == 1:
        return parts[0]
    at_ms, first = np.unique(np.concatenate([p.at_ms for p in parts]), return_index=True)
    columns: dict[str, Column | None] = {}
    for name in ALL_QUANTITIES:
        have = [p.column(name) for p in parts]
        if name != "power_w" and all(c is None for c in have):
            columns[name] = None
        else:
            filled = [np.full(len(p), np.nan) if c is None else c for p, c in zip(parts, have, strict=True)]
            columns[name] = np.concatenate(filled)[first]
    return Series(at_ms=at_ms, meter=meter, **columns)  # type: ignore[arg-type]
