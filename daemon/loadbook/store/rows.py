"""Rows of the ledger back into what was said: phases, cycles with their parts, alerts. For every reader."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from typing import Any

from loadbook.events import Alert, Cause, Cycle, PartMeasured, Phase


def query(db: sqlite3.Connection, sql: str, args: Sequence[Any] | dict[str, Any] = ()) -> list[sqlite3.Row]:
    """All rows of a query, by column name, whatever the connection's own way of giving rows."""
    cursor = db.cursor()
    cursor.row_factory = sqlite3.Row
    return cursor.execute(sql, args).fetchall()


def kwh(energy_wh: float | None) -> float | None:
    """Watt-hours, as the ledger keeps them, in the kWh of ``loadbook.events``."""
    return None if energy_wh is None else energy_wh / 1000.0


def phase_of_row(row: sqlite3.Row) -> Phase:
    """A row of ``phase``."""
    return Phase(
        id=row["id"],
        stage=row["stage"],
        start_ms=row["start_ms"],
        end_ms=row["end_ms"],
        power_w=row["power_w"],
        energy_kwh=kwh(row["energy_wh"]),
        on=json.loads(row["parts_on"]),
        verdict=row["verdict"],
        cost=row["cost"],
    )


def cycle_of_row(row: sqlite3.Row) -> Cycle:
    """A row of ``cycle``, without its phases and parts."""
    return Cycle(
        key_ms=row["key_ms"],
        start_ms=row["start_ms"],
        end_ms=row["end_ms"],
        programme=row["programme"],
        outcome=row["outcome"],
        energy_kwh=kwh(row["energy_wh"]),
        peak_w=row["peak_w"],
        standby_w=row["standby_w"],
        verdict=row["verdict"],
        cost=row["cost"],
        currency=row["currency"],
    )


def whole_cycle(db: sqlite3.Connection, row: sqlite3.Row) -> Cycle:
    """A row of ``cycle`` with its phases and what its parts were measured to draw."""
    cycle = cycle_of_row(row)
    cycle.phases = [
        phase_of_row(p) for p in query(db, "SELECT * FROM phase WHERE cycle = ? ORDER BY position", (row["id"],))
    ]
    parts = query(db, "SELECT * FROM part_measured WHERE cycle = ? ORDER BY position", (row["id"],))
    cycle.parts = [
        PartMeasured(p["component"], p["phase"], p["power_w"], p["seconds"], p["at_rated_w"], p["resistance_ohm"])
        for p in parts
    ]
    return cycle


def alert_of_row(row: sqlite3.Row) -> Alert:
    """A row of ``alert``."""
    return Alert(
        kind=row["kind"],
        began_ms=row["began_ms"],
        raised_ms=row["raised_ms"],
        cleared_ms=row["cleared_ms"],
        cycle_key_ms=row["cycle_key_ms"],
        phase=row["phase"],
        component=row["component"],
        measured=row["measured"],
        low=row["low"],
        high=row["high"],
        unit=row["unit"],
        causes=[Cause(c["cause"], c["because"], c["check"], c.get("safety")) for c in json.loads(row["causes"])],
    )


def cycles_between(db: sqlite3.Connection, machine: str, start_ms: int, end_ms: int) -> list[Cycle]:
    """Whole cycles of a machine that began within [start_ms, end_ms), in order of time."""
    sql = "SELECT * FROM cycle WHERE machine = ? AND start_ms >= ? AND start_ms < ? ORDER BY start_ms"
    return [whole_cycle(db, row) for row in query(db, sql, (machine, start_ms, end_ms))]


def alerts_between(db: sqlite3.Connection, machine: str, start_ms: int, end_ms: int) -> list[Alert]:
    """Alerts of a machine raised within [start_ms, end_ms), in order of time."""
    sql = "SELECT * FROM alert WHERE machine = ? AND raised_ms >= ? AND raised_ms < ? ORDER BY raised_ms, id"
    return [alert_of_row(row) for row in query(db, sql, (machine, start_ms, end_ms))]


def open_cycles(db: sqlite3.Connection, machine: str) -> list[tuple[Cycle, list[Alert]]]:
    """A machine's cycles that are said to run, each with its alerts."""
    found = []
    for row in query(db, "SELECT * FROM cycle WHERE machine = ? AND outcome = 'running'", (machine,)):
        alerts = query(db, "SELECT * FROM alert WHERE cycle = ?", (row["id"],))
        found.append((whole_cycle(db, row), [alert_of_row(alert) for alert in alerts]))
    return found
