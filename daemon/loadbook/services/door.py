"""Requests: what people want changed, carried out by the recorder, once, each in a transaction of its own.

A request is ``{"id": ..., "action": ..., ...}``; the answer repeats the id and says ``ok``, or not and why in one line.
An action is a function of the request and the time; rooms with actions of their own hand in their tables.
"""

from __future__ import annotations

import json
import logging
import sqlite3
from collections.abc import Callable, Mapping
from typing import Any

from loadbook.errors import InputError, LoadbookError
from loadbook.events import ALERT_KINDS
from loadbook.store.ledger import Ledger

log = logging.getLogger(__name__)

Request = dict[str, Any]
Action = Callable[[Request, int], dict[str, Any]]

LONGEST_TEXT = 4000
LONGEST_SHELF_MS = 30 * 86_400_000


class Door:
    """Carries out requests on a ledger."""

    def __init__(self, ledger: Ledger, more: Mapping[str, Action]) -> None:
        self._ledger = ledger
        self.actions: dict[str, Action] = {
            "alert_seen": self.alert_seen,
            "alert_shelve": self.alert_shelve,
            "alert_unshelve": self.alert_unshelve,
            "note_add": self.note_add,
            "out_of_service": self.out_of_service,
            "cycle_pin": self.cycle_pin,
            **more,
        }

    def answer(self, payload: bytes, now_ms: int) -> dict[str, Any] | None:
        """Carry out the request in a message and give its answer; None for what is not one."""
        try:
            request = json.loads(payload)
            request_id = request["id"]
        except (ValueError, KeyError, TypeError, RecursionError):
            log.warning("a request without an id was passed over")
            return None
        if not isinstance(request_id, str) or not 0 < len(request_id) <= 100:
            log.warning("a request with an odd id was passed over")
            return None
        before = self._ledger.answer_to(request_id)
        if before is not None:
            return before
        action = self.actions.get(str(request.get("action")))
        try:
            if action is None:
                raise InputError(f"action: there is no {request.get('action')!r}")
            with self._ledger.transaction():
                answer = {**action(request, now_ms), "id": request_id, "ok": True}
                self._ledger.keep_answer(request_id, now_ms, answer)
        except LoadbookError as bad:
            return {"id": request_id, "ok": False, "error": str(bad)}
        except sqlite3.Error as bad:
            log.error("request %s: %s", request.get("action"), bad)
            return {"id": request_id, "ok": False, "error": f"the ledger cannot be written now: {bad}"}
        except Exception:
            log.exception("request %s", request.get("action"))
            return {"id": request_id, "ok": False, "error": "it failed; the recorder's log says more"}
        return answer

    # actions ----------------------------------------------------------------------------------------------------

    def alert_seen(self, request: Request, now_ms: int) -> dict[str, Any]:
        """Somebody has seen an alert: ``{"machine", "key", "by"}``. The first one counts."""
        number = self._alert(request)
        self._ledger.db.execute(
            "UPDATE alert SET seen_ms = ?, seen_by = ? WHERE id = ? AND seen_ms IS NULL", (now_ms, _by(request), number)
        )
        return {}

    def alert_shelve(self, request: Request, now_ms: int) -> dict[str, Any]:
        """Put alerts of a kind aside: ``{"machine", "kind", "by", "reason", "until_ms"}``."""
        machine, kind = self._machine(request), str(request.get("kind"))
        until_ms, reason = request.get("until_ms"), _text(request, "reason")
        if kind not in ALERT_KINDS:
            raise InputError(f"kind: there is no alert kind {kind!r}")
        if not reason:
            raise InputError("reason: is empty; say why")
        if not isinstance(until_ms, int) or not now_ms < until_ms <= now_ms + LONGEST_SHELF_MS:
            raise InputError("until_ms: must lie within the next 30 days")
        self._ledger.db.execute(
            'INSERT OR REPLACE INTO shelf (machine, kind, from_ms, until_ms, "by", reason) VALUES (?, ?, ?, ?, ?, ?)',
            (machine, kind, now_ms, until_ms, _by(request), reason),
        )
        return {}

    def alert_unshelve(self, request: Request, _now_ms: int) -> dict[str, Any]:
        """Take them back: ``{"machine", "kind"}``."""
        self._ledger.db.execute(
            "DELETE FROM shelf WHERE machine = ? AND kind = ?", (self._machine(request), str(request.get("kind")))
        )
        return {}

    def out_of_service(self, request: Request, now_ms: int) -> dict[str, Any]:
        """A machine is taken out of service or put back: ``{"machine", "on", "by", "reason"}``."""
        machine, on = self._machine(request), request.get("on")
        if not isinstance(on, bool):
            raise InputError("on: must be true (out of service) or false (back)")
        values = (now_ms, _by(request), _text(request, "reason")) if on else (None, None, None)
        self._ledger.db.execute(
            "UPDATE machine SET out_of_service_since_ms = ?, out_of_service_by = ?, out_of_service_reason = ? "
            "WHERE id = ?",
            (*values, machine),
        )
        return {}

    def note_add(self, request: Request, now_ms: int) -> dict[str, Any]:
        """A note on a machine, a cycle or an alert: ``{"machine", "cycle_key_ms", "alert_key", "by", "text"}``."""
        machine, text = self._machine(request), _text(request, "text")
        if not text:
            raise InputError("text: is empty; write the note")
        cycle = None if request.get("cycle_key_ms") is None else self._cycle(request)
        alert = None if request.get("alert_key") is None else self._alert({**request, "key": request["alert_key"]})
        number = self._ledger.db.execute(
            "INSERT INTO note (machine, cycle, alert, at_ms, author, text) VALUES (?, ?, ?, ?, ?, ?) RETURNING id",
            (machine, cycle, alert, now_ms, _by(request), text),
        ).fetchone()[0]
        return {"note": number}

    def cycle_pin(self, request: Request, _now_ms: int) -> dict[str, Any]:
        """Keep a cycle's readings at full rate for good, or no longer: ``{"machine", "cycle_key_ms", "on"}``."""
        on = request.get("on")
        if not isinstance(on, bool):
            raise InputError("on: must be true (keep) or false")
        self._ledger.db.execute("UPDATE cycle SET pinned = ? WHERE id = ?", (int(on), self._cycle(request)))
        return {}

    # what requests name -----------------------------------------------------------------------------------------

    def _machine(self, request: Request) -> str:
        name = str(request.get("machine"))
        if self._ledger.db.execute("SELECT 1 FROM machine WHERE id = ?", (name,)).fetchone() is None:
            raise InputError(f"machine: there is no machine {name!r}")
        return name

    def _cycle(self, request: Request) -> int:
        row = self._ledger.db.execute(
            "SELECT id FROM cycle WHERE machine = ? AND key_ms = ?",
            (self._machine(request), _whole(request, "cycle_key_ms")),
        ).fetchone()
        if row is None:
            raise InputError("cycle_key_ms: there is no such cycle")
        return int(row[0])

    def _alert(self, request: Request) -> int:
        row = self._ledger.db.execute(
            "SELECT id FROM alert WHERE machine = ? AND key = ?", (self._machine(request), str(request.get("key")))
        ).fetchone()
        if row is None:
            raise InputError("key: there is no such alert")
        return int(row[0])


def _by(request: Request) -> str | None:
    return str(request["by"])[:80] if request.get("by") else None


def _text(request: Request, key: str) -> str:
    text = str(request.get(key) or "").strip()
    if len(text) > LONGEST_TEXT:
        raise InputError(f"{key}: is longer than {LONGEST_TEXT} characters; shorten it")
    return text


def _whole(request: Request, key: str) -> int:
    value = request.get(key)
    if not isinstance(value, int) or isinstance(value, bool) or abs(value) > 1 << 53:
        raise InputError(f"{key}: must be a whole number")
    return value
