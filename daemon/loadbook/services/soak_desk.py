"""The recorder's side of soak tests: carries out what people ask, and ends a test when it is due.

Every method runs inside the recorder's transaction; the recorder is the ledger's only writer.
"""

from __future__ import annotations

import secrets
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from loadbook.checked import parse_table
from loadbook.errors import InputError
from loadbook.machine import parse_machine
from loadbook.soak.decide import Accuracy, Finding
from loadbook.soak.order import Entry, EntryKind, SoakOrder, due_to_end
from loadbook.soak.requirements import refuse_undecidable
from loadbook.soak.safety import SafetyRecord
from loadbook.store import soak_ledger
from loadbook.store.rows import query
from loadbook.store.soak_ledger import IssuedReport, SoakTest

LONGEST_TEXT = 4000
NOT_PAUSED = ("waiting", "running", "between", "ended")
"""States in which there is nothing to resume."""

Request = dict[str, Any]
Handler = Callable[[Request, int], dict[str, Any]]
AccuracyOf = Callable[[str], Accuracy | None]
"""The stated accuracy of a meter, by the meter's id; None where none is stated."""


class HasConnection(Protocol):
    """What holds the ledger's writing connection."""

    db: sqlite3.Connection


@dataclass(slots=True)
class SoakDesk:
    """Requests about soak tests. Each handler takes the request and the time in ms, gives the answer's fields, and
    raises InputError with the one line that the person is shown."""

    ledger: HasConnection
    accuracy_of: AccuracyOf

    @property
    def actions(self) -> dict[str, Handler]:
        """Request actions and what carries them out."""
        return {
            "soak_order": self.order,
            "soak_pause": lambda r, now: self._entry(r, now, "paused"),
            "soak_resume": lambda r, now: self._entry(r, now, "resumed"),
            "soak_note": lambda r, now: self._entry(r, now, "note"),
            "soak_end": lambda r, now: self._entry(r, now, "ended"),
            "soak_safety": self.safety,
            "soak_report": self.report,
        }

    def order(self, request: Request, now_ms: int) -> dict[str, Any]:
        """Begin a test: ``{"order": {...}}`` as SoakOrder has it. One open test per machine."""
        order = parse_table(request.get("order"), SoakOrder, "order")
        rows = query(self.ledger.db, "SELECT file_text, meter FROM machine WHERE id = ?", (order.machine,))
        if not rows:
            raise InputError(f"order: machine: there is no machine {order.machine!r}; see the page of machines")
        text, meter = rows[0]["file_text"] or "", rows[0]["meter"]
        if not text:
            raise InputError(
                f"order: machine: {order.machine!r} has no machine file, so nothing could be required of it; write one"
            )
        machine = parse_machine(text, order.machine)
        if order.programme is not None and order.programme not in {p.id for p in machine.programmes}:
            known = ", ".join(p.id for p in machine.programmes) or "none"
            raise InputError(f"order: programme: the machine has no programme {order.programme!r}; it has {known}")
        if order.until_ms is not None and order.until_ms <= now_ms:
            raise InputError("order: until_ms: that time is past; give a later one")
        for test in soak_ledger.open_tests(self.ledger.db):
            if test.machine == order.machine:
                raise InputError(f"order: test {test.number} is still open on {order.machine}; end it first")
        accuracy = self.accuracy_of(meter) if meter else None
        refuse_undecidable(machine, order.limits, accuracy)
        made = soak_ledger.add_test(self.ledger.db, order, now_ms, machine_file=text, meter=meter, accuracy=accuracy)
        return {"number": made.number}

    def _find(self, request: Request) -> SoakTest:
        number = str(request.get("number", ""))
        test = soak_ledger.read_test(self.ledger.db, number)
        if test is None:
            raise InputError(f"number: there is no soak test {number!r}")
        return test

    def _entry(self, request: Request, now_ms: int, kind: EntryKind) -> dict[str, Any]:
        test = self._find(request)
        text = str(request.get("text", "")).strip()
        if len(text) > LONGEST_TEXT:
            raise InputError(f"text: is longer than {LONGEST_TEXT} characters; shorten it")
        if kind == "note":
            if not text:
                raise InputError("text: is empty; write the note")
        else:
            state = soak_ledger.progress_of(self.ledger.db, test, now_ms).state
            refused = {"paused": ("paused", "ended"), "resumed": NOT_PAUSED, "ended": ("ended",)}[kind]
            if state in refused:
                raise InputError(f"number: test {test.number} is {state}; it cannot be {kind} now")
        soak_ledger.add_entry(self.ledger.db, test.id, Entry(now_ms, kind, str(request.get("by", ""))[:80], text))
        return {"number": test.number}

    def safety(self, request: Request, now_ms: int) -> dict[str, Any]:
        """Keep the values of a safety test that a licensed person enters: ``{"number", "record": {...}}``."""
        test = self._find(request)
        record = parse_table(request.get("record"), SafetyRecord, "record")
        soak_ledger.add_safety(self.ledger.db, test.id, record, now_ms)
        return {"number": test.number}

    def report(self, request: Request, now_ms: int) -> dict[str, Any]:
        """Keep a report as issued: ``{"number", "report", "by", "remark", "finding", "html"}``.

        Its id is made by whoever renders it (``new_report_id``), since it stands on every page. A later report of the
        same test names the one it replaces.
        """
        test = self._find(request)
        report_id, html = str(request.get("report", "")), str(request.get("html", ""))
        author = str(request.get("by", "")).strip()
        finding = str(request.get("finding", ""))
        if not author:
            raise InputError("by: is empty; say who authorises the report")
        if not report_id.startswith(f"{test.number}-") or report_id not in html:
            raise InputError("report: is not this test's, or does not stand in the report")
        if finding not in {f.value for f in Finding}:
            raise InputError(f"finding: {finding!r} is none of {', '.join(f.value for f in Finding)}")
        earlier = soak_ledger.read_reports(self.ledger.db, test.id)
        if any(r.id == report_id for r in earlier):
            raise InputError(f"report: {report_id} is already issued")
        issued = IssuedReport(
            id=report_id,
            test=test.id,
            issued_ms=now_ms,
            authorised_by=author,
            remark=str(request.get("remark", ""))[:LONGEST_TEXT],
            replaces=earlier[0].id if earlier else None,
            finding=finding,
        )
        if issued.replaces and issued.replaces not in html:
            raise InputError(f"html: the report does not name {issued.replaces}, which it replaces")
        soak_ledger.add_report(self.ledger.db, issued, html)
        return {"number": test.number, "report": report_id}

    def review(self, now_ms: int) -> list[str]:
        """End every test that is due; gives the numbers of those ended."""
        ended = []
        for test in soak_ledger.open_tests(self.ledger.db):
            cycles, alerts = soak_ledger.cycles_and_alerts(self.ledger.db, test)
            why = due_to_end(test.order, test.entries, cycles, alerts, now_ms)
            if why:
                soak_ledger.add_entry(self.ledger.db, test.id, Entry(now_ms, "ended", "Loadbook", why))
                ended.append(test.number)
        return ended


def new_report_id(number: str) -> str:
    """An id for a report of that test that no other report has."""
    return f"{number}-{secrets.token_hex(4)}"
