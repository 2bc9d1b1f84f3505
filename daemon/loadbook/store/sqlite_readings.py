"""Readings in one SQLite file: the store that needs nothing else. Layout and its reasons: ``readings_schema``.

One process writes (the recorder); any number read. 37 bytes a reading of eight values, measured over 13 million.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from loadbook.errors import LoadbookError
from loadbook.reading import HOLD_MS, QUANTITIES, QUANTITY_BY_NAME, Column, Reading, Series
from loadbook.store.connect import READINGS_FILE, read_only, transaction, writer
from loadbook.store.minutes import AFTER_MS, MINUTE_MS, energy_of, minutes_of
from loadbook.store.readings import ALL_QUANTITIES, NOTHING, Delivered, Envelope, Minutes, Row, empty_series, joined

SCHEMA = "readings_schema"
_SCALES = tuple((q.name, 10**q.decimals) for q in QUANTITIES)
_INSERT = f"INSERT OR IGNORE INTO reading VALUES (?, ?{', ?' * len(QUANTITIES)})"
_ENVELOPE_FROM_MINUTES_MS = 3 * MINUTE_MS
"""A slice at least this wide is drawn from one-minute figures where there are any."""


MOST_ASIDE_MS = 40
"""Moved readings find room within so much; no meter is read more often than every 50 ms."""
NEWEST_RUNS = 3
"""The newest runs of a meter's poller stay known in any case: a message may still be on its way from one."""
MOST_RUNS = 100
"""So many stay known where the poller does not say which it still holds."""

_ROLLED = {
    "power_w": ("power_min_w", "power_mean_w", "power_max_w"),
    "voltage_v": ("voltage_min_v", "voltage_mean_v", "voltage_max_v"),
}
"""What one-minute figures there are of a quantity."""


class StoreError(LoadbookError):
    """The store refuses to take readings or to give them: full, read-only, damaged, away."""


def scaled(reading: Reading) -> tuple[int | None, ...]:
    """A reading's values as the integers stored."""
    values = (getattr(reading, name) for name, _ in _SCALES)
    return tuple(None if v is None else round(v * s) for v, (_, s) in zip(values, _SCALES, strict=True))


class SqliteReader:
    """Reads readings; safe beside a writing recorder. One per thread."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self.db = db
        self._numbers: dict[str, int] = {}

    @classmethod
    def open(cls, folder: Path) -> SqliteReader:
        """The readings in a store's folder, read-only. Raises StartError."""
        return cls(read_only(folder / READINGS_FILE))

    def number(self, meter: str) -> int | None:
        """The number a meter has in the file."""
        if meter not in self._numbers:
            row = self.db.execute("SELECT number FROM meter WHERE id = ?", (meter,)).fetchone()
            if row is None:
                return None
            self._numbers[meter] = int(row[0])
        return self._numbers[meter]

    def meters(self) -> list[str]:
        return [row[0] for row in self.db.execute("SELECT id FROM meter ORDER BY id")]

    def series(
        self,
        meter: str,
        start_ms: int,
        end_ms: int,
        quantities: Sequence[str] = ALL_QUANTITIES,
        limit: int | None = None,
    ) -> Series:
        number = self.number(meter)
        names = [q for q in ALL_QUANTITIES if q in quantities or q == "power_w"]
        if number is None:
            return empty_series(meter)
        rows = self.db.execute(
            f"SELECT at_ms, {', '.join(names)} FROM reading WHERE at_ms >= ? AND at_ms < ? AND meter = ? "
            "ORDER BY at_ms LIMIT ?",
            (start_ms, end_ms, number, -1 if limit is None else limit),
        )
        rows.row_factory = None
        found = rows.fetchall()
        if not found:
            return empty_series(meter)
        by_column = list(zip(*found, strict=True))
        columns: dict[str, Column | None] = {}
        for name, values in zip(names, by_column[1:], strict=True):
            column = np.array(values, dtype=np.float64) / 10 ** QUANTITY_BY_NAME[name].decimals
            columns[name] = None if name != "power_w" and np.isnan(column).all() else column
        return Series(at_ms=np.array(by_column[0], dtype=np.int64), meter=meter, **columns)  # type: ignore[arg-type]

    def next_power(self, meter: str, from_ms: int) -> Series:
        """The first reading with a power from an instant on (one row or none): it ends the step before it."""
        row = self.db.execute(
            "SELECT at_ms FROM reading WHERE at_ms >= ? AND at_ms < ? AND meter = ? AND power_w IS NOT NULL "
            "ORDER BY at_ms LIMIT 1",
            (from_ms, from_ms + AFTER_MS, self.number(meter)),
        ).fetchone()
        return empty_series(meter) if row is None else SqliteReader.series(self, meter, row[0], row[0] + 1)

    def envelope(self, meter: str, start_ms: int, end_ms: int, columns: int, quantity: str = "power_w") -> Envelope:
        span = end_ms - start_ms
        low, high = np.full(columns, np.inf), np.full(columns, -np.inf)
        total, count = np.zeros(columns), np.zeros(columns, dtype=np.int64)
        number = self.number(meter)
        if number is None or span <= 0 or columns <= 0:
            nothing = np.full(max(columns, 0), np.nan)
            return Envelope(start_ms, end_ms, quantity, nothing, nothing.copy(), nothing.copy(), count)
        rolled = _ROLLED.get(quantity)
        upto_ms, dropped_ms = self._rolled(number)
        wide = span >= columns * _ENVELOPE_FROM_MINUTES_MS
        raw_from_ms = max(start_ms, min(end_ms, max(upto_ms, dropped_ms))) if wide and rolled else start_ms
        scale = float(10 ** QUANTITY_BY_NAME[quantity].decimals)
        for index, least, summed, most, n in self.db.execute(
            f"SELECT (at_ms - :start) * :columns / :span AS slice, min({quantity}), sum({quantity}), max({quantity}), "
            f"count({quantity}) FROM reading WHERE at_ms >= :first AND at_ms < :last AND meter = :meter "
            f"AND {quantity} IS NOT NULL GROUP BY slice",
            {
                "start": start_ms,
                "columns": columns,
                "span": span,
                "meter": number,
                "first": raw_from_ms,
                "last": end_ms,
            },
        ):
            low[index], high[index], total[index], count[index] = least / scale, most / scale, summed / scale, n
        until_ms = raw_from_ms if wide else min(end_ms, dropped_ms)
        if rolled and until_ms > start_ms:
            sql = (
                f"SELECT minute_ms, readings, {rolled[0]}, {rolled[1]}, {rolled[2]} FROM minute WHERE meter = ? "
                f"AND minute_ms >= ? AND minute_ms < ? AND {rolled[1]} IS NOT NULL ORDER BY minute_ms"
            )
            rows = self.db.execute(sql, (number, start_ms - start_ms % MINUTE_MS, until_ms)).fetchall()
            if rows:
                table = np.array([tuple(row) for row in rows], dtype=np.float64)
                _lay_minutes(table, start_ms, span, (low, total, high, count))
        empty = count == 0
        mean = np.divide(total, count, out=np.full(columns, np.nan), where=~empty)
        low[empty] = high[empty] = np.nan
        return Envelope(start_ms, end_ms, quantity, low, mean, high, count)

    def _rolled(self, number: int) -> tuple[int, int]:
        """(up to where a meter is rolled up, up to where its full rate has been dropped), ms; -1 for nowhere."""
        row = self.db.execute("SELECT upto_ms, dropped_upto_ms FROM rolled WHERE meter = ?", (number,)).fetchone()
        return (-1, -1) if row is None else (int(row[0]), int(row[1]))

    def energy_wh(self, meter: str, start_ms: int, end_ms: int) -> float:
        number = self.number(meter)
        if number is None:
            return 0.0
        raw_from_ms = max(start_ms, min(end_ms, self._rolled(number)[1]))
        minutes = self.db.execute(
            "SELECT total(energy_wh) FROM minute WHERE meter = ? AND minute_ms >= ? AND minute_ms < ?",
            (number, start_ms - start_ms % MINUTE_MS, raw_from_ms),
        ).fetchone()[0]
        raw = self.series(meter, raw_from_ms, end_ms, ("power_w", "energy_wh"))
        return float(minutes) + energy_of(raw)

    def minutes(self, meter: str, start_ms: int, end_ms: int) -> Minutes:
        number = self.number(meter)
        start_ms += -start_ms % MINUTE_MS
        if number is None:
            return minutes_of(empty_series(meter))
        upto_ms, dropped_ms = self._rolled(number)
        raw_from_ms = max(start_ms, min(end_ms, max(upto_ms, dropped_ms)))
        rows = self.db.execute(
            "SELECT minute_ms, energy_wh, counter_wh FROM minute WHERE meter = ? AND minute_ms >= ? AND minute_ms < ? "
            "ORDER BY minute_ms",
            (number, start_ms, raw_from_ms),
        ).fetchall()
        # One reading more than the span has: the step to it begins in the span.
        end_ms += -end_ms % MINUTE_MS
        raw = self.series(meter, raw_from_ms, end_ms, ("power_w", "energy_wh"))
        after = self.next_power(meter, end_ms)
        fresh = minutes_of(joined([raw, after], meter), end_ms) if len(raw) else minutes_of(empty_series(meter))
        old = np.array([tuple(row) for row in rows], dtype=np.float64).reshape(len(rows), 3)
        return Minutes(
            np.concatenate([old[:, 0].astype(np.int64), fresh.minute_ms]),
            np.concatenate([old[:, 1], fresh.energy_wh]),
            np.concatenate([old[:, 2], fresh.counter_wh]),
        )

    def last(self, meter: str) -> Reading | None:
        number = self.number(meter)
        if number is None:
            return None
        row = self.db.execute(
            f"SELECT at_ms, {', '.join(ALL_QUANTITIES)} FROM reading "
            "WHERE meter = ?1 AND at_ms = (SELECT last_ms FROM meter WHERE number = ?1)",
            (number,),
        ).fetchone()
        if row is None:
            return None
        values = tuple(row)[1:]
        return Reading(row[0], *(None if v is None else v / s for v, (_, s) in zip(values, _SCALES, strict=True)))

    def span(self, meter: str) -> tuple[int, int] | None:
        row = self.db.execute("SELECT first_ms, last_ms FROM meter WHERE id = ?", (meter,)).fetchone()
        return None if row is None or row[0] is None else (int(row[0]), int(row[1]))

    def close(self) -> None:
        self.db.close()


class SqliteStore(SqliteReader):
    """The recorder's side: the one writer of the readings' file."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.trouble = ""
        super().__init__(writer(path, SCHEMA))

    def settle(self, meter: str, upto_ms: int) -> None:
        """Nothing to do: what is here can be moved at any time."""

    def droppable_ms(self, meter: str) -> int:
        """All of it."""
        return 1 << 53

    def append(self, rows: Sequence[Row], delivered: Delivered = NOTHING) -> int:
        if not rows and not delivered:
            return 0
        try:
            with transaction(self.db):
                before = self.db.total_changes
                numbered = [(r.at_ms, self._number_for_good(meter), *scaled(r)) for meter, r in rows]
                between = self.db.total_changes - before
                self.db.executemany(_INSERT, numbered)
                new = self.db.total_changes - before - between
                if rows:
                    self._mark_ends(numbered)
                self._mark_delivered(delivered)
            return int(new)
        except (sqlite3.Error, OverflowError) as bad:
            self._numbers.clear()
            raise StoreError(f"{self.path}: readings cannot be stored: {bad}") from bad

    def _number_for_good(self, meter: str) -> int:
        number = self.number(meter)
        if number is None:
            number = self.db.execute("INSERT INTO meter (id) VALUES (?) RETURNING number", (meter,)).fetchone()[0]
            self._numbers[meter] = number
        return number

    def _mark_ends(self, numbered: Sequence[tuple[int | None, ...]]) -> None:
        """Keep each meter's oldest and newest instant; what arrives late puts the roll-up back to before it."""
        ends: dict[int, tuple[int, int]] = {}
        for at_ms, number, *_ in numbered:
            assert at_ms is not None and number is not None
            first, last = ends.get(number, (at_ms, at_ms))
            ends[number] = (min(first, at_ms), max(last, at_ms))
        self.db.executemany(
            "UPDATE meter SET first_ms = min(?1, coalesce(first_ms, ?1)), last_ms = max(?2, coalesce(last_ms, ?2)) "
            "WHERE number = ?3",
            [(first, last, number) for number, (first, last) in ends.items()],
        )
        self.db.executemany(
            "UPDATE rolled SET upto_ms = ?1 WHERE meter = ?2 AND upto_ms > ?1",
            [(_minute_before(first), number) for number, (first, _) in ends.items()],
        )

    def _mark_delivered(self, delivered: Delivered) -> None:
        self.db.executemany(
            "INSERT OR REPLACE INTO committed VALUES (?1, ?2, ?3, "
            "coalesce((SELECT last_ms FROM meter WHERE id = ?2), 0))",
            [(session, meter, sequence) for (session, meter), sequence in delivered.committed.items()],
        )
        for meter, held in delivered.holds.items():
            known = [
                row[0]
                for row in self.db.execute(
                    "SELECT session FROM committed WHERE meter = ? ORDER BY last_ms DESC, session", (meter,)
                )
            ]
            for session in known[NEWEST_RUNS if held else MOST_RUNS :]:
                if session not in held:
                    self.db.execute("DELETE FROM committed WHERE session = ? AND meter = ?", (session, meter))
                    first = f"{session}/{meter}/"
                    self.db.execute("DELETE FROM moved WHERE mark >= ? AND mark < ?", (first, first[:-1] + "0"))

    def committed(self) -> dict[tuple[str, str], int]:
        """(session, meter) to the sequence number up to which all has been received for good."""
        return {(s, m): n for s, m, n in self.db.execute("SELECT session, meter, sequence FROM committed")}

    def shift(self, meter: str, from_ms: int, to_ms: int, by_ms: int, mark: str) -> int:
        number = self.number(meter)
        if number is None or by_ms == 0:
            return 0
        columns = ", ".join(ALL_QUANTITIES)
        try:
            with transaction(self.db):
                if not self.db.execute("INSERT OR IGNORE INTO moved VALUES (?)", (mark,)).rowcount:
                    return 0
                self.db.execute("DROP TABLE IF EXISTS temp.moving")
                self.db.execute(
                    f"CREATE TEMP TABLE moving AS SELECT at_ms, meter, {columns} FROM reading "
                    "WHERE at_ms >= ? AND at_ms < ? AND meter = ?",
                    (from_ms, to_ms, number),
                )
                self.db.execute(
                    "DELETE FROM reading WHERE at_ms >= ? AND at_ms < ? AND meter = ?", (from_ms, to_ms, number)
                )
                moved = self._put_moved(columns, by_ms)
                edge = _minute_before(min(from_ms, from_ms + by_ms))
                self.db.execute("DELETE FROM minute WHERE meter = ? AND minute_ms >= ?", (number, edge))
                self.db.execute(
                    "UPDATE rolled SET upto_ms = ?1 WHERE meter = ?2 AND upto_ms > ?1",
                    (edge, number),
                )
                self.db.execute(
                    "UPDATE meter SET first_ms = CASE WHEN first_ms >= ?1 AND first_ms < ?2 THEN first_ms + ?3 "
                    "ELSE first_ms END, last_ms = CASE WHEN last_ms >= ?1 AND last_ms < ?2 THEN last_ms + ?3 "
                    "ELSE last_ms END WHERE number = ?4",
                    (from_ms, to_ms, by_ms, number),
                )
            return int(moved)
        except sqlite3.Error as bad:
            raise StoreError(f"{self.path}: readings cannot be moved in time: {bad}") from bad

    def _put_moved(self, columns: str, by_ms: int) -> int:
        """Put the rows of ``temp.moving`` where they belong. Where an older reading has the very millisecond (the clock
        was wrong and thought right), the next free one is taken: none gives way to another."""
        moved = 0
        for aside_ms in range(MOST_ASIDE_MS):
            placed = self.db.execute(
                f"INSERT OR IGNORE INTO reading SELECT at_ms + ?, meter, {columns} FROM temp.moving RETURNING at_ms",
                (by_ms + aside_ms,),
            ).fetchall()
            moved += len(placed)
            self.db.executemany(
                "DELETE FROM temp.moving WHERE at_ms = ?", [(at_ms - by_ms - aside_ms,) for (at_ms,) in placed]
            )
            if not self.db.execute("SELECT EXISTS (SELECT 1 FROM temp.moving)").fetchone()[0]:
                break
        self.db.execute("DROP TABLE temp.moving")
        return moved


def _lay_minutes(
    table: Column, start_ms: int, span: int, into: tuple[Column, Column, Column, npt.NDArray[np.int64]]
) -> None:
    """Lay one-minute figures (columns minute_ms, readings, low, mean, high) into slices that have no reading yet.

    A slice wider than a minute gathers the minutes that begin in it; of narrower ones each shows the minute it is in.
    """
    low, total, high, count = into
    columns = len(low)
    minute_ms, n, least, mean, most = table.T
    if span >= columns * MINUTE_MS:
        index = np.maximum((minute_ms - start_ms) * columns // span, 0).astype(np.int64)
        free = count[index] == 0
        index, n, least, mean, most = index[free], n[free], least[free], mean[free], most[free]
    else:
        at_ms = start_ms + np.arange(columns) * span / columns
        row = np.searchsorted(minute_ms, at_ms, side="right") - 1
        index = np.flatnonzero((row >= 0) & (at_ms < minute_ms[row] + MINUTE_MS) & (count == 0))
        row = row[index]
        n, least, mean, most = n[row], least[row], mean[row], most[row]
    np.minimum.at(low, index, least)
    np.maximum.at(high, index, most)
    np.add.at(total, index, mean * n)
    np.add.at(count, index, n.astype(np.int64))


def _minute_before(at_ms: int) -> int:
    """The first minute whose figures a reading at ``at_ms`` can change: the step before it may begin there."""
    return (at_ms - HOLD_MS) // MINUTE_MS * MINUTE_MS
