"""Soak tests in a real ledger: ordered, paused, ended when due, reported; and unharmed by a restart."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from loadbook.errors import InputError
from loadbook.events import Alert, AlertChanged, Cycle, CycleChanged
from loadbook.machine import parse_machine
from loadbook.services.soak_desk import SoakDesk, new_report_id
from loadbook.soak.decide import Accuracy
from loadbook.store import soak_ledger
from loadbook.store.connect import LEDGER_FILE, read_only
from loadbook.store.ledger import Ledger

T0 = 1_790_000_000_000
HOUR = 3_600_000
FILE = """
[machine]
id = "quay-washer-1"
name = "Washer 1"
kind = "washing_machine"
[[component]]
id = "heater"
nature = "resistive"
rated_w = 2000.0
[[programme]]
id = "mixed-60"
[[programme.phase]]
id = "heat"
stage = "heat"
on = ["heater"]
max_s = 900.0
"""
MACHINE = parse_machine(FILE, "quay-washer-1.toml")


@pytest.fixture
def desk(tmp_path: Path):
    ledger = Ledger.open(tmp_path)
    with ledger.transaction():
        ledger.put_machine(MACHINE, "m1", FILE)
    yield SoakDesk(ledger, lambda meter: Accuracy(2.0) if meter == "m1" else None)
    ledger.close()


def ask(desk: SoakDesk, action: str, now_ms: int = T0, **request: Any) -> dict[str, Any]:
    with desk.ledger.transaction():
        return desk.actions[action](request, now_ms)


def begin(desk: SoakDesk, **order: Any) -> str:
    full = {"machine": "quay-washer-1", "programme": "mixed-60", "cycles": 2, "technician": "Ines", **order}
    return ask(desk, "soak_order", order=full)["number"]


def run_cycle(desk: SoakDesk, number: int, outcome: str = "completed") -> Cycle:
    start = T0 + number * HOUR
    made = Cycle(start, start, start + HOUR // 2, "mixed-60", outcome)
    with desk.ledger.transaction():
        desk.ledger.apply("quay-washer-1", CycleChanged(start, made))
    return made


def test_a_test_runs_from_order_to_its_end(desk):
    number = begin(desk)
    run_cycle(desk, -1)  # before the test: does not count
    run_cycle(desk, 1)
    assert desk.review(T0 + 2 * HOUR) == []
    run_cycle(desk, 2, "running")
    test = soak_ledger.read_test(desk.ledger.db, number)
    now = soak_ledger.progress_of(desk.ledger.db, test, T0 + 2 * HOUR)
    assert (now.state, now.finished, now.wanted) == ("running", 1, 2)
    run_cycle(desk, 2)
    assert desk.review(T0 + 3 * HOUR) == [number]
    assert desk.review(T0 + 3 * HOUR) == []
    last = soak_ledger.read_test(desk.ledger.db, number).entries[-1]
    assert (last.kind, last.text) == ("ended", "2 of 2 cycles are done")


def test_its_place_is_not_lost_by_a_restart(desk, tmp_path):
    number = begin(desk)
    run_cycle(desk, 1)
    desk.ledger.close()
    again = SoakDesk(Ledger.open(tmp_path), desk.accuracy_of)
    run_cycle(again, 2)
    assert again.review(T0 + 3 * HOUR) == [number]
    again.ledger.close()


def test_readers_see_it_without_being_able_to_write(desk, tmp_path):
    number = begin(desk)
    reader = read_only(tmp_path / LEDGER_FILE)
    test = soak_ledger.read_test(reader, number)
    assert test.order.technician == "Ines"
    assert test.accuracy == Accuracy(2.0)
    assert [t.number for t in soak_ledger.read_tests(reader)] == [number]
    reader.close()


def test_a_stopping_finding_ends_it(desk):
    number = begin(desk)
    cycle = run_cycle(desk, 1, "running")
    alert = Alert("power_high", cycle.start_ms, cycle.start_ms, cycle_key_ms=cycle.key_ms, component="heater")
    with desk.ledger.transaction():
        desk.ledger.apply("quay-washer-1", AlertChanged(cycle.start_ms, alert))
    assert desk.review(T0 + HOUR) == [number]


def test_pause_resume_note_end(desk):
    number = begin(desk)
    ask(desk, "soak_pause", T0 + 1, number=number, by="Ines")
    with pytest.raises(InputError, match="is paused"):
        ask(desk, "soak_pause", T0 + 2, number=number)
    ask(desk, "soak_resume", T0 + 3, number=number)
    ask(desk, "soak_note", T0 + 4, number=number, by="Ines", text="hose moved")
    ask(desk, "soak_end", T0 + 5, number=number, by="Ines", text="customer waits")
    with pytest.raises(InputError, match="is ended"):
        ask(desk, "soak_resume", T0 + 6, number=number)
    kinds = [e.kind for e in soak_ledger.read_test(desk.ledger.db, number).entries]
    assert kinds == ["started", "paused", "resumed", "note", "ended"]


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"machine": "nobody"}, "no machine 'nobody'"),
        ({"programme": "boil-95"}, "it has mixed-60"),
        ({"until_ms": T0 - 1}, "past"),
        ({"cycles": 0}, "cycles"),
        ({"limits": [{"component": "heater", "low_w": 1990.0, "high_w": 2010.0}]}, "heater: limits 1990 to 2010"),
    ],
)
def test_a_bad_order_is_refused_in_one_line_and_leaves_nothing(desk, change, named):
    with pytest.raises(InputError, match=named):
        begin(desk, **change)
    assert soak_ledger.read_tests(desk.ledger.db) == []


def test_one_open_test_per_machine(desk):
    first = begin(desk)
    with pytest.raises(InputError, match=first):
        begin(desk)


def test_reports_are_kept_as_issued_and_name_the_one_they_replace(desk):
    number = begin(desk)
    first = new_report_id(number)
    issue = {"number": number, "by": "Ines", "finding": "met"}
    ask(desk, "soak_report", report=first, html=f"<p>{first}</p>", **issue)
    second = new_report_id(number)
    with pytest.raises(InputError, match=first):
        ask(desk, "soak_report", report=second, html=f"<p>{second}</p>", **issue)
    ask(desk, "soak_report", report=second, html=f"<p>{second} replaces {first}</p>", **issue)
    test = soak_ledger.read_test(desk.ledger.db, number)
    reports = soak_ledger.read_reports(desk.ledger.db, test.id)
    assert {r.id: r.replaces for r in reports} == {first: None, second: first}
    assert soak_ledger.report_html(desk.ledger.db, first) == f"<p>{first}</p>"
    with pytest.raises(InputError, match="who authorises"):
        ask(desk, "soak_report", report=second, html=second, number=number, finding="met")


def test_safety_values_are_kept_as_entered(desk):
    number = begin(desk)
    check = {"check": "Protective conductor", "limit": "0.3 ohm", "value": "0.12 ohm", "result": "in order"}
    record = {
        "tester": "R. Vale",
        "standard": "EN 50678:2020",
        "instrument": "T-9, calibrated 2026-03",
        "checks": [check],
    }
    ask(desk, "soak_safety", number=number, record=record)
    test = soak_ledger.read_test(desk.ledger.db, number)
    assert soak_ledger.read_safety(desk.ledger.db, test.id)[1].checks[0].value == "0.12 ohm"
    with pytest.raises(InputError, match="tester"):
        ask(desk, "soak_safety", number=number, record={**record, "tester": ""})
