"""What becomes of old readings: rolled up by the minute, then dropped at full rate, except where somebody needs them.

Everything is done in short steps, so that the recorder can take readings in between: each function is a generator that
yields after every step.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence

from loadbook.store.connect import transaction
from loadbook.store.minutes import MINUTE_MS, rows_of
from loadbook.store.readings import joined
from loadbook.store.sqlite_readings import SqliteStore

ROLL_STEP_MS = 6 * 3_600_000
DROP_STEP_MS = 2 * 3_600_000
DAY_MS = 86_400_000
NEAR_MS = 600_000
"""Kept on each side of a cycle whose full rate is kept."""

Span = tuple[int, int]


def kept_spans(ledger: sqlite3.Connection, meter: str) -> list[Span]:
    """Spans of a meter whose full rate stays: cycles that had alerts or are pinned, with ten minutes on each side."""
    rows = ledger.execute(
        "SELECT start_ms, end_ms FROM cycle WHERE machine IN (SELECT id FROM machine WHERE meter = ?) AND "
        "(pinned OR id IN (SELECT cycle FROM alert WHERE cycle IS NOT NULL)) ORDER BY start_ms",
        (meter,),
    )
    spans: list[Span] = []
    for start_ms, end_ms in [(start - NEAR_MS, end + NEAR_MS) for start, end in rows]:
        if spans and start_ms <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(spans[-1][1], end_ms))
        else:
            spans.append((start_ms, end_ms))
    return spans


def roll_up(store: SqliteStore, meter: str) -> Iterator[None]:
    """Bring a meter's one-minute figures up to its newest whole minute."""
    number, span = store.number(meter), store.span(meter)
    if number is None or span is None:
        return
    first_ms, last_ms = span
    row = store.db.execute("SELECT upto_ms, dropped_upto_ms FROM rolled WHERE meter = ?", (number,)).fetchone()
    at_ms, dropped_ms = (first_ms // MINUTE_MS * MINUTE_MS, 0) if row is None else row
    end_ms = last_ms // MINUTE_MS * MINUTE_MS
    while at_ms < end_ms:
        until_ms = min(at_ms + ROLL_STEP_MS, end_ms)
        names = ("power_w", "voltage_v", "energy_wh")
        inside = store.series(meter, at_ms, until_ms, names)
        after = store.next_power(meter, until_ms)
        if len(inside) == 0 and len(after):  # straight over a long gap
            until_ms = max(until_ms, int(after.at_ms[0]) // MINUTE_MS * MINUTE_MS)
        rows = rows_of(joined([inside, after], meter), until_ms) if len(inside) else []
        with transaction(store.db):
            # Where the full rate has gone, what is there was made from all of it and stands.
            for how, some in (
                ("IGNORE", [r for r in rows if int(r[0] or 0) < dropped_ms]),
                ("REPLACE", [r for r in rows if int(r[0] or 0) >= dropped_ms]),
            ):
                store.db.executemany(
                    f"INSERT OR {how} INTO minute VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    [(number, *r) for r in some],
                )
            store.db.execute(
                "INSERT INTO rolled (meter, upto_ms) VALUES (?1, ?2) ON CONFLICT (meter) DO UPDATE SET upto_ms = ?2",
                (number, until_ms),
            )
        at_ms = until_ms
        yield


def drop(store: SqliteStore, meter: str, before_ms: int, keep: Sequence[Span]) -> Iterator[None]:
    """Drop a meter's full rate before an instant, but for ``keep`` (in order, apart). Rolls up first."""
    yield from roll_up(store, meter)
    number, span = store.number(meter), store.span(meter)
    if number is None or span is None:
        return
    upto_ms = store.db.execute("SELECT upto_ms FROM rolled WHERE meter = ?", (number,)).fetchone()
    before_ms = min(before_ms // MINUTE_MS * MINUTE_MS, upto_ms[0] if upto_ms else 0)
    start_ms = span[0]
    for keep_from_ms, keep_to_ms in [*keep, (before_ms, before_ms)]:
        for at_ms in range(start_ms, min(keep_from_ms, before_ms), DROP_STEP_MS):
            until_ms = min(at_ms + DROP_STEP_MS, keep_from_ms, before_ms)
            with transaction(store.db):
                store.db.execute(
                    "DELETE FROM reading WHERE at_ms >= ? AND at_ms < ? AND meter = ?", (at_ms, until_ms, number)
                )
            yield
        start_ms = max(start_ms, keep_to_ms)
    with transaction(store.db):
        store.db.execute(
            "UPDATE rolled SET dropped_upto_ms = max(dropped_upto_ms, ?) WHERE meter = ?", (before_ms, number)
        )
        store.db.execute(
            "UPDATE meter SET first_ms = coalesce((SELECT min(at_ms) FROM reading WHERE meter = ?1 AND at_ms < ?2), "
            "(SELECT min(at_ms) FROM reading WHERE at_ms >= ?2 AND meter = ?1)) WHERE number = ?1",
            (number, before_ms),
        )
    yield


def reusable_bytes(store: SqliteStore) -> int:
    """Bytes of the file that new readings can take without its growing."""
    free, size = (store.db.execute(f"PRAGMA {p}").fetchone()[0] for p in ("freelist_count", "page_size"))
    return int(free * size)
