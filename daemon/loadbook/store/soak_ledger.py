"""Soak tests in the ledger: written through the recorder's connection, read through anybody's."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

from loadbook.events import Alert, Cycle
from loadbook.soak.decide import Accuracy
from loadbook.soak.order import Entry, Progress, SoakOrder, cycles_of, progress
from loadbook.soak.safety import SafetyRecord
from loadbook.store.rows import alerts_between, cycles_between, query

FAR_MS = 1 << 53


@dataclass(frozen=True, slots=True)
class SoakTest:
    """A soak test as the ledger has it."""

    id: int
    number: str
    machine: str
    created_ms: int
    order: SoakOrder
    machine_file: str
    meter: str | None
    accuracy: Accuracy | None
    entries: tuple[Entry, ...]

    @property
    def ended_ms(self) -> int | None:
        """When it ended, or None while it goes on."""
        return next((e.at_ms for e in self.entries if e.kind == "ended"), None)


@dataclass(frozen=True, slots=True)
class IssuedReport:
    """A report as it was issued."""

    id: str
    test: int
    issued_ms: int
    authorised_by: str
    remark: str
    replaces: str | None
    finding: str


# writing ----------------------------------------------------------------------------------------------------------


def add_test(
    db: sqlite3.Connection,
    order: SoakOrder,
    now_ms: int,
    *,
    machine_file: str,
    meter: str | None,
    accuracy: Accuracy | None,
) -> SoakTest:
    """Write down an order and begin it; its number is the year and a running number."""
    year = datetime.fromtimestamp(now_ms / 1000, UTC).year
    last = db.execute(
        "SELECT max(CAST(substr(number, 6) AS INTEGER)) FROM soak_test WHERE number LIKE ?", (f"{year}-%",)
    ).fetchone()[0]
    number = f"{year}-{(last or 0) + 1:04d}"
    test_id = db.execute(
        "INSERT INTO soak_test (number, machine, created_ms, soak_order, machine_file, meter, accuracy) "
        "VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id",
        (
            number,
            order.machine,
            now_ms,
            order.model_dump_json(),
            machine_file,
            meter,
            json.dumps(asdict(accuracy)) if accuracy else None,
        ),
    ).fetchone()[0]
    add_entry(db, test_id, Entry(now_ms, "started", order.technician))
    test = read_test(db, number)
    assert test is not None
    return test


def add_entry(db: sqlite3.Connection, test_id: int, entry: Entry) -> None:
    """Add a line to a test's diary."""
    db.execute(
        "INSERT INTO soak_entry (test, at_ms, kind, author, text) VALUES (?, ?, ?, ?, ?)",
        (test_id, entry.at_ms, entry.kind, entry.author, entry.text),
    )


def add_safety(db: sqlite3.Connection, test_id: int, record: SafetyRecord, now_ms: int) -> None:
    """Keep the values of a safety test; an earlier entry stays, the newest is the one that is printed."""
    checks = json.dumps([c.model_dump() for c in record.checks], ensure_ascii=False)
    db.execute(
        "INSERT INTO soak_safety (test, at_ms, tester, standard, instrument, checks) VALUES (?, ?, ?, ?, ?, ?)",
        (test_id, now_ms, record.tester, record.standard, record.instrument, checks),
    )


def add_report(db: sqlite3.Connection, report: IssuedReport, html: str) -> None:
    """Keep a report as it was issued."""
    db.execute(
        "INSERT INTO soak_report (id, test, issued_ms, authorised_by, remark, replaces, finding, html) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (report.id, report.test, report.issued_ms, report.authorised_by, report.remark, report.replaces,
         report.finding, html),
    )  # fmt: skip


def shift_entries(db: sqlite3.Connection, machine: str, from_ms: int, by_ms: int) -> None:
    """Move a machine's diary lines in time, after the board's clock was set (as ``Ledger.shift`` does)."""
    db.execute(
        "UPDATE soak_entry SET at_ms = at_ms + ? WHERE at_ms >= ? AND test IN "
        "(SELECT id FROM soak_test WHERE machine = ?)",
        (by_ms, from_ms, machine),
    )


# reading ----------------------------------------------------------------------------------------------------------


def _test(db: sqlite3.Connection, row: sqlite3.Row) -> SoakTest:
    lines = query(db, "SELECT at_ms, kind, author, text FROM soak_entry WHERE test = ? ORDER BY id", (row["id"],))
    return SoakTest(
        id=row["id"],
        number=row["number"],
        machine=row["machine"],
        created_ms=row["created_ms"],
        order=SoakOrder.model_validate_json(row["soak_order"]),
        machine_file=row["machine_file"],
        meter=row["meter"],
        accuracy=Accuracy(**json.loads(row["accuracy"])) if row["accuracy"] else None,
        entries=tuple(Entry(e["at_ms"], e["kind"], e["author"], e["text"]) for e in lines),
    )


def read_test(db: sqlite3.Connection, number: str) -> SoakTest | None:
    """The test of that number."""
    rows = query(db, "SELECT * FROM soak_test WHERE number = ?", (number,))
    return _test(db, rows[0]) if rows else None


def read_tests(db: sqlite3.Connection, limit: int = 50) -> list[SoakTest]:
    """The newest tests first."""
    return [_test(db, row) for row in query(db, "SELECT * FROM soak_test ORDER BY id DESC LIMIT ?", (limit,))]


def open_tests(db: sqlite3.Connection) -> list[SoakTest]:
    """Tests that have not ended."""
    sql = (
        "SELECT * FROM soak_test WHERE NOT EXISTS (SELECT 1 FROM soak_entry e WHERE e.test = soak_test.id "
        "AND e.kind = 'ended') ORDER BY id"
    )
    return [_test(db, row) for row in query(db, sql)]


def cycles_and_alerts(db: sqlite3.Connection, test: SoakTest) -> tuple[list[Cycle], list[Alert]]:
    """The cycles that count for a test, and every alert raised on its machine during it.

    An alert of a counted cycle belongs to it, also when it is raised after the test has ended.
    """
    until_ms = FAR_MS if test.ended_ms is None else test.ended_ms
    cycles = cycles_of(test.order, test.entries, cycles_between(db, test.machine, test.created_ms, until_ms))
    keys = {c.key_ms for c in cycles}
    alerts = [
        alert
        for alert in alerts_between(db, test.machine, test.created_ms, FAR_MS)
        if alert.cycle_key_ms in keys or alert.raised_ms < until_ms
    ]
    return cycles, alerts


def progress_of(db: sqlite3.Connection, test: SoakTest, now_ms: int) -> Progress:
    """Where a test stands."""
    return progress(test.order, test.entries, cycles_and_alerts(db, test)[0], now_ms)


def read_safety(db: sqlite3.Connection, test_id: int) -> tuple[int, SafetyRecord] | None:
    """(when it was entered, the values) of a test's newest safety record."""
    rows = query(db, "SELECT * FROM soak_safety WHERE test = ? ORDER BY id DESC LIMIT 1", (test_id,))
    if not rows:
        return None
    row: Any = rows[0]
    fields = {name: row[name] for name in ("tester", "standard", "instrument")}
    return row["at_ms"], SafetyRecord.model_validate({**fields, "checks": json.loads(row["checks"])})


def read_reports(db: sqlite3.Connection, test_id: int) -> list[IssuedReport]:
    """A test's reports, the newest first."""
    sql = "SELECT * FROM soak_report WHERE test = ? ORDER BY issued_ms DESC, id DESC"
    names = ("id", "test", "issued_ms", "authorised_by", "remark", "replaces", "finding")
    return [IssuedReport(*(row[n] for n in names)) for row in query(db, sql, (test_id,))]


def report_html(db: sqlite3.Connection, report_id: str) -> str | None:
    """A report's text as it was issued."""
    rows = query(db, "SELECT html FROM soak_report WHERE id = ?", (report_id,))
    return rows[0]["html"] if rows else None
