"""Requests: carried out once, refused in one line, and never more than asked."""

from __future__ import annotations

import json

import pytest
from loadbook.events import Alert, AlertChanged, Cycle, CycleChanged
from loadbook.machine import parse_machine
from loadbook.services.door import Door
from loadbook.store.ledger import Ledger

T0 = 1_790_000_000_000
MACHINE = parse_machine('[machine]\nid = "quay-washer-1"\nname = "Washer 1"\nkind = "washing_machine"\n', "quay.toml")
ALERT = Alert("phase_too_long", T0, T0 + 1000, phase="fill")


@pytest.fixture
def door(tmp_path):
    ledger = Ledger.open(tmp_path)
    with ledger.transaction():
        ledger.put_machine(MACHINE, "m1")
        ledger.apply("quay-washer-1", CycleChanged(T0, Cycle(T0, T0, T0 + 5000)))
        ledger.apply("quay-washer-1", AlertChanged(T0, ALERT))
    yield Door(ledger, {"more": lambda r, now: {"now": now}})
    ledger.close()


def ask(door: Door, request_id: str = "r", **what) -> dict:
    answer = door.answer(json.dumps({"id": request_id, "machine": "quay-washer-1", **what}).encode(), T0 + 9000)
    assert answer is not None
    return answer


def rows(door: Door, sql: str) -> list[tuple]:
    return [tuple(r) for r in door._ledger.db.execute(sql)]


def test_every_action_once(door):
    assert ask(door, "1", action="alert_seen", key=ALERT.key, by="Ada") == {"id": "1", "ok": True}
    assert ask(door, "2", action="alert_seen", key=ALERT.key, by="Ben")["ok"]
    assert rows(door, "SELECT seen_by, seen_ms FROM alert") == [("Ada", T0 + 9000)]
    for _ in range(3):
        assert ask(door, "3", action="note_add", text="new hose", cycle_key_ms=T0, alert_key=ALERT.key, by="Ada")["ok"]
    assert rows(door, "SELECT cycle, alert, author, text FROM note") == [(1, 1, "Ada", "new hose")]
    until_ms = T0 + 3_600_000
    assert ask(door, "4", action="alert_shelve", kind="phase_too_long", until_ms=until_ms, reason="low tap")["ok"]
    assert rows(door, "SELECT kind, until_ms, reason FROM shelf") == [("phase_too_long", until_ms, "low tap")]
    assert ask(door, "5", action="alert_unshelve", kind="phase_too_long")["ok"]
    assert rows(door, "SELECT * FROM shelf") == []
    assert ask(door, "6", action="out_of_service", on=True, by="Ada", reason="pump")["ok"]
    assert rows(door, "SELECT out_of_service_since_ms, out_of_service_reason FROM machine") == [(T0 + 9000, "pump")]
    assert ask(door, "7", action="out_of_service", on=False)["ok"]
    assert rows(door, "SELECT out_of_service_since_ms FROM machine") == [(None,)]
    assert ask(door, "8", action="cycle_pin", cycle_key_ms=T0, on=True)["ok"]
    assert rows(door, "SELECT pinned FROM cycle") == [(1,)]
    assert ask(door, "9", action="more") == {"id": "9", "ok": True, "now": T0 + 9000}


@pytest.mark.parametrize(
    ("what", "says"),
    [
        ({"action": "rm"}, "there is no 'rm'"),
        ({"action": "alert_seen", "key": "x"}, "no such alert"),
        ({"action": "alert_seen", "key": ALERT.key, "machine": "other"}, "no machine 'other'"),
        ({"action": "note_add", "text": " "}, "is empty"),
        ({"action": "note_add", "text": "x" * 5000}, "longer than"),
        ({"action": "note_add", "text": "x", "cycle_key_ms": 5}, "no such cycle"),
        ({"action": "note_add", "text": "x", "cycle_key_ms": "5"}, "whole number"),
        ({"action": "alert_shelve", "kind": "odd", "until_ms": T0 + 10_000, "reason": "x"}, "no alert kind"),
        ({"action": "alert_shelve", "kind": "standby_high", "until_ms": T0, "reason": "x"}, "30 days"),
        ({"action": "alert_shelve", "kind": "standby_high", "until_ms": T0 + 10_000}, "say why"),
        ({"action": "out_of_service"}, "must be true"),
        ({"action": "cycle_pin", "cycle_key_ms": T0}, "must be true"),
    ],
)
def test_refusals_are_one_line_and_change_nothing(door, what, says):
    before = list(door._ledger.db.iterdump())
    answer = ask(door, **what)
    assert not answer["ok"]
    assert says in answer["error"]
    assert "\n" not in answer["error"]
    assert list(door._ledger.db.iterdump()) == before


@pytest.mark.parametrize("payload", [b"", b"[]", b"{}", b'{"id": 5}', b'{"id": ""}', b"\xff", b"[" * 5000])
def test_what_is_no_request_is_passed_over(door, payload):
    assert door.answer(payload, T0) is None
