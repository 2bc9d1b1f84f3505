"""What the pages need from the ledger, as plain objects. Read only: nothing here can change a row.

Every call opens the ledger for itself and closes it again, so that no reader holds an old snapshot and a thread needs
no connection of its own. Times are milliseconds since 1970 (UTC), energy in kWh.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from loadbook.errors import InputError, StartError
from loadbook.events import Alert, Cycle
from loadbook.machine import Machine, parse_machine
from loadbook.store.connect import read_only
from loadbook.store.rows import alert_of_row, cycle_of_row, whole_cycle


class NotReadyError(Exception):
    """There is no ledger yet: the recorder has not run on this store."""


@dataclass(slots=True)
class Note:
    """What somebody wrote."""

    at_ms: int
    author: str | None
    text: str


@dataclass(frozen=True, slots=True)
class Quiet:
    """Why an alert calls nobody: ``why`` is ``aside``, ``service`` or ``held_back``."""

    why: str
    since_ms: int
    until_ms: int | None = None
    by: str | None = None
    reason: str | None = None


@dataclass(slots=True)
class KnownAlert:
    """An alert as the ledger keeps it: the finding, and whether somebody has seen it. Two facts, not one state."""

    id: int
    machine: str
    alert: Alert
    programme: str | None
    seen_ms: int | None
    seen_by: str | None
    notes: list[Note] = field(default_factory=list)
    quiet: Quiet | None = None
    """Why it calls nobody; set by ``standing.settle``."""

    @property
    def active(self) -> bool:
        return self.alert.cleared_ms is None

    @property
    def seen(self) -> bool:
        return self.seen_ms is not None


@dataclass(frozen=True, slots=True)
class Shelf:
    """Alerts of a kind put aside on a machine by a person."""

    machine: str
    kind: str
    from_ms: int
    until_ms: int
    by: str | None
    reason: str


@dataclass(frozen=True, slots=True)
class Tally:
    """How often a kind of alert was raised on a machine."""

    machine: str
    kind: str
    count: int


@dataclass(slots=True)
class MachineRow:
    """A machine and what it does now."""

    id: str
    name: str
    kind: str
    place: str | None
    meter: str | None
    state: str
    state_since_ms: int | None
    phase: str | None
    stage: str | None
    phase_until_ms: int | None
    last_reading_ms: int | None
    out_of_service_since_ms: int | None
    out_of_service_by: str | None
    out_of_service_reason: str | None
    chart: Machine | None
    """Its machine file as it was last read; None where there is none."""


@dataclass(slots=True)
class CycleRow:
    """A cycle of a machine, with how many of its alerts nobody has seen."""

    machine: str
    cycle: Cycle
    alerts: int = 0


@lru_cache(maxsize=256)
def _chart(text: str) -> Machine | None:
    try:
        return parse_machine(text, "ledger")
    except InputError:
        return None


def _machine(row: sqlite3.Row) -> MachineRow:
    text = row["file_text"]
    columns = (
        "id", "name", "kind", "place", "meter", "state", "state_since_ms", "phase", "stage", "phase_until_ms",
        "last_reading_ms", "out_of_service_since_ms", "out_of_service_by", "out_of_service_reason",
    )  # fmt: skip
    return MachineRow(**{c: row[c] for c in columns}, chart=_chart(text) if text else None)


_ALERT = """SELECT alert.*, cycle.programme AS programme
FROM alert LEFT JOIN cycle ON cycle.id = alert.cycle"""


def _alert(row: sqlite3.Row) -> KnownAlert:
    return KnownAlert(row["id"], row["machine"], alert_of_row(row), row["programme"], row["seen_ms"], row["seen_by"])


class Queries:
    """Questions to one ledger. Raises NotReadyError where there is none."""

    def __init__(self, ledger: Path) -> None:
        self.ledger = ledger

    @contextmanager
    def open(self) -> Iterator[sqlite3.Connection]:
        """The ledger, read only, for one question."""
        try:
            db = read_only(self.ledger)
        except StartError:
            raise NotReadyError(str(self.ledger)) from None
        with closing(db):
            try:
                yield db
            except sqlite3.OperationalError as bad:
                if "no such table" in str(bad):
                    raise NotReadyError(str(self.ledger)) from None
                raise

    def _rows(self, sql: str, *args: Any) -> list[sqlite3.Row]:
        with self.open() as db:
            return db.execute(sql, args).fetchall()

    # machines -------------------------------------------------------------------------------------------------------

    def machines(self) -> list[MachineRow]:
        """Every machine, in the order of the settings."""
        return [_machine(row) for row in self._rows("SELECT * FROM machine ORDER BY rowid")]

    def machine(self, machine: str) -> MachineRow | None:
        rows = self._rows("SELECT * FROM machine WHERE id = ?", machine)
        return _machine(rows[0]) if rows else None

    # cycles ---------------------------------------------------------------------------------------------------------

    def cycles(self, machine: str | None, before_ms: int, limit: int, after_ms: int = 0) -> list[CycleRow]:
        """Cycles that began in [after_ms, before_ms), newest first, without their phases; of one machine or of all."""
        sql = """SELECT cycle.*, (SELECT count(*) FROM alert WHERE alert.cycle = cycle.id) AS alerts
            FROM cycle WHERE start_ms < ? AND start_ms >= ? AND (? IS NULL OR machine = ?)
            ORDER BY start_ms DESC LIMIT ?"""
        rows = self._rows(sql, before_ms, after_ms, machine, machine, limit)
        return [CycleRow(row["machine"], cycle_of_row(row), row["alerts"]) for row in rows]

    def cycle(self, machine: str, key_ms: int) -> Cycle | None:
        """One cycle with its phases."""
        with self.open() as db:
            row = db.execute("SELECT * FROM cycle WHERE machine = ? AND key_ms = ?", (machine, key_ms)).fetchone()
            return None if row is None else whole_cycle(db, row)

    def last_cycle(self, machine: str) -> Cycle | None:
        """The cycle that runs, or the last one, with its phases."""
        with self.open() as db:
            sql = "SELECT * FROM cycle WHERE machine = ? ORDER BY start_ms DESC LIMIT 1"
            row = db.execute(sql, (machine,)).fetchone()
            return None if row is None else whole_cycle(db, row)

    def neighbours(self, machine: str, start_ms: int) -> tuple[int | None, int | None]:
        """The keys of the cycles before and after the one that began at ``start_ms``."""
        with self.open() as db:
            sql = "SELECT key_ms FROM cycle WHERE machine = ? AND start_ms {} ? ORDER BY start_ms {} LIMIT 1"
            found = (
                db.execute(sql.format("<", "DESC"), (machine, start_ms)).fetchone(),
                db.execute(sql.format(">", "ASC"), (machine, start_ms)).fetchone(),
            )
            before, after = (None if row is None else int(row["key_ms"]) for row in found)
            return before, after

    def usual_rest_s(self, machine: str, programme: str, phase: str, last: int = 10) -> list[float]:
        """How long the last completed cycles of a programme still took from the start of a phase, s."""
        sql = """SELECT (cycle.end_ms - phase.start_ms) / 1000.0 AS rest_s
            FROM cycle JOIN phase ON phase.cycle = cycle.id
            WHERE cycle.machine = ? AND cycle.programme = ? AND cycle.outcome = 'completed'
              AND phase.id = ? AND phase.start_ms IS NOT NULL
            ORDER BY cycle.start_ms DESC LIMIT ?"""
        return [row["rest_s"] for row in self._rows(sql, machine, programme, phase, last)]

    # alerts ---------------------------------------------------------------------------------------------------------

    def alerts_of_cycle(self, machine: str, key_ms: int) -> list[KnownAlert]:
        """The alerts of one cycle, as they were raised."""
        sql = f"{_ALERT} WHERE alert.machine = ? AND alert.cycle_key_ms = ? ORDER BY alert.raised_ms, alert.id"
        return self._alerts(sql, machine, key_ms)

    def open_alerts(self, machine: str | None = None) -> list[KnownAlert]:
        """Alerts that stand, or that are over and nobody has seen; newest first."""
        sql = f"""{_ALERT} WHERE (alert.cleared_ms IS NULL OR alert.seen_ms IS NULL)
            AND (? IS NULL OR alert.machine = ?) ORDER BY alert.raised_ms DESC, alert.id DESC"""
        return self._alerts(sql, machine, machine)

    def shelves(self, now_ms: int) -> list[Shelf]:
        """What is put aside now."""
        sql = (
            """SELECT machine, kind, from_ms, until_ms, "by", reason FROM shelf WHERE until_ms > ? ORDER BY until_ms"""
        )
        return [Shelf(*row) for row in self._rows(sql, now_ms)]

    def tallies(self, since_ms: int) -> list[Tally]:
        """How often each kind was raised on each machine since then, most often first."""
        sql = """SELECT machine, kind, count(*) FROM alert WHERE raised_ms >= ? GROUP BY machine, kind
            ORDER BY count(*) DESC, machine, kind"""
        return [Tally(*row) for row in self._rows(sql, since_ms)]

    def past_alerts(self, before_ms: int, limit: int) -> list[KnownAlert]:
        """Alerts that are over and that somebody has seen, newest first."""
        sql = f"""{_ALERT} WHERE alert.cleared_ms IS NOT NULL AND alert.seen_ms IS NOT NULL AND alert.raised_ms < ?
            ORDER BY alert.raised_ms DESC, alert.id DESC LIMIT ?"""
        return self._alerts(sql, before_ms, limit)

    def alert(self, alert_id: int) -> KnownAlert | None:
        found = self._alerts(f"{_ALERT} WHERE alert.id = ?", alert_id)
        return found[0] if found else None

    def alerts_between(self, machine: str, start_ms: int, end_ms: int) -> list[KnownAlert]:
        """Alerts of a machine raised within [start_ms, end_ms), as they were raised."""
        sql = f"{_ALERT} WHERE alert.machine = ? AND alert.raised_ms >= ? AND alert.raised_ms < ? ORDER BY raised_ms"
        return self._alerts(sql, machine, start_ms, end_ms)

    def _alerts(self, sql: str, *args: Any) -> list[KnownAlert]:
        with self.open() as db:
            alerts = [_alert(row) for row in db.execute(sql, args)]
            for known in alerts:
                rows = db.execute("SELECT at_ms, author, text FROM note WHERE alert = ? ORDER BY at_ms", (known.id,))
                known.notes = [Note(*row) for row in rows]
            return alerts

    def notes_of_cycle(self, machine: str, key_ms: int) -> list[Note]:
        """Notes on a cycle itself, oldest first."""
        sql = """SELECT note.at_ms, note.author, note.text FROM note JOIN cycle ON cycle.id = note.cycle
            WHERE cycle.machine = ? AND cycle.key_ms = ? AND note.alert IS NULL ORDER BY note.at_ms"""
        return [Note(*row) for row in self._rows(sql, machine, key_ms)]
