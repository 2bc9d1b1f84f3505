"""The cycles: the history of all machines, of one machine, and one cycle along its trace."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from loadbook.events import Cycle
from loadbook.store.sqlite_readings import StoreError
from werkzeug.wrappers import Response

from loadbook_dashboard.against_chart import differences, part_lines
from loadbook_dashboard.api import FAR_MS, machine_or_404, whole
from loadbook_dashboard.expectation import COLUMNS, Supply
from loadbook_dashboard.gate import author
from loadbook_dashboard.pages.alerts import explained
from loadbook_dashboard.parts import parts
from loadbook_dashboard.queries import CycleRow, MachineRow
from loadbook_dashboard.requests import RefusedError
from loadbook_dashboard.timeline import lay

blueprint = Blueprint("cycles", __name__)

A_PAGE = 40


def _by_day(rows: list[CycleRow]) -> list[tuple[str, list[CycleRow]]]:
    days: list[tuple[str, list[CycleRow]]] = []
    for row in rows:
        day = parts().time.day(row.cycle.start_ms)
        if not days or days[-1][0] != day:
            days.append((day, []))
        days[-1][1].append(row)
    return days


def _listing(machine: str | None) -> dict[str, Any]:
    here = parts()
    before_ms = whole("before", FAR_MS, 0, FAR_MS)
    rows = here.queries.cycles(machine, before_ms, A_PAGE + 1)
    machines = {m.id: m for m in here.queries.machines()}
    for row in rows:
        here.brought_up(machines[row.machine], row.cycle)
    older = rows[A_PAGE - 1].cycle.start_ms if len(rows) > A_PAGE else None
    return {
        "days": _by_day(rows[:A_PAGE]),
        "older_ms": older,
        "costed": any(row.cycle.cost for row in rows),
        "machines": machines,
        "paged": before_ms != FAR_MS,
    }


@blueprint.get("/cycles")
def page() -> str:
    """The history of every machine, newest first."""
    return render_template("cycles.html", **_listing(None))


@blueprint.get("/machines/<machine>")
def machine_page(machine: str) -> str:
    """One machine: what it does now, and its history."""
    row = machine_or_404(machine)
    here = parts()
    g = here.glance(row, here.open_alerts(machine))
    return render_template("machine.html", m=row, g=g, **_listing(machine))


def _supply(row: MachineRow, cycle: Cycle) -> Supply:
    """The voltage the cycle had; not known where its readings cannot be had now."""
    if row.meter is None or row.chart is None:
        return Supply()
    try:
        with parts().readings() as reader:
            return Supply(reader.envelope(row.meter, cycle.start_ms, cycle.end_ms + 1, COLUMNS, "voltage_v"))
    except StoreError:
        return Supply()


def _cycle(machine: str, key_ms: int) -> dict[str, Any]:
    row = machine_or_404(machine)
    queries = parts().queries
    cycle = queries.cycle(machine, key_ms)
    if cycle is None:
        abort(404)
    parts().brought_up(row, cycle)
    phases = lay(row, cycle, _supply(row, cycle))
    return {
        "m": row,
        "c": cycle,
        "phases": phases,
        "differs": differences(phases),
        "part_lines": part_lines(row, cycle),
        "alerts": explained(queries.alerts_of_cycle(machine, key_ms), {row.id: row}),
        "notes": queries.notes_of_cycle(machine, key_ms),
    }


@blueprint.get("/machines/<machine>/cycles/<int:key_ms>")
def cycle_page(machine: str, key_ms: int) -> str:
    """One cycle along its trace."""
    found = _cycle(machine, key_ms)
    before, after = parts().queries.neighbours(machine, found["c"].start_ms)
    return render_template("cycle.html", before=before, after=after, **found)


@blueprint.get("/machines/<machine>/cycles/<int:key_ms>/part")
def cycle_part(machine: str, key_ms: int) -> str:
    """What changes while the cycle runs, for the live page."""
    return render_template("cycle_part.html", **_cycle(machine, key_ms))


@blueprint.post("/machines/<machine>/cycles/<int:key_ms>/note")
def add_note(machine: str, key_ms: int) -> Response:
    """Write a note on a cycle."""
    text = request.form.get("text", "").strip()
    name = author()
    if not text:
        flash("The note was empty, so nothing was written.", "refused")
    else:
        try:
            noted = {"cycle_key_ms": key_ms, "alert_key": None, "text": text[:2000]}
            parts().asker.ask("note_add", machine=machine, by=name, **noted)
            parts().hub.changed(machine, "note")
            flash("Note written.", "done")
        except RefusedError as refused:
            flash(str(refused), "refused")
    return redirect(url_for(".cycle_page", machine=machine, key_ms=key_ms))
