"""JSON for other programs, in the contract's form, and for the dashboard's own charts. Reads only.

``/api/machines``, ``/api/machines/ID/cycles`` and ``/api/alerts`` are for anybody; times are ISO 8601 with ``Z`` as in
``loadbook assess --json``. ``…/trace`` and ``…/timeline`` are what the charts draw: integer milliseconds.
"""

from __future__ import annotations

from typing import Any

from flask import Blueprint, abort, request
from loadbook.alert_kinds import alert_kind
from loadbook.events import iso

from loadbook_dashboard.parts import parts
from loadbook_dashboard.queries import CycleRow, KnownAlert, MachineRow
from loadbook_dashboard.timeline import as_json, cycles_as_json
from loadbook_dashboard.trace import trace as read_trace

blueprint = Blueprint("api", __name__, url_prefix="/api")

FAR_MS = 2**53
MOST_CYCLES = 200
MOST_COLUMNS = 4000

PHASES_BELOW_MS = 2 * 86_400_000
"""Over a longer stretch of time cycles are laid along the trace, not their phases: they would be too narrow to see."""


def whole(name: str, default: int, low: int, high: int) -> int:
    """A whole number of the query, brought into [low, high]; what is none is refused."""
    text = request.args.get(name)
    if text is None:
        return default
    try:
        value = int(text)
    except ValueError:
        abort(400, f"{name} must be a whole number.")
    return min(max(value, low), high)


def number_of(text: str) -> int | None:
    """A whole number of a form that a database can hold, or None."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= 16 else None


def machine_or_404(machine: str) -> MachineRow:
    """A machine of this site, or the page that says there is none."""
    row = parts().queries.machine(machine)
    if row is None:
        abort(404)
    return row


@blueprint.get("/machines")
def machines() -> dict[str, Any]:
    """Every machine and what it does now."""
    found = []
    for g in parts().glances():
        found.append(
            {
                "id": g.id,
                "name": g.name,
                "state": g.state,
                "since": iso(g.since_ms),
                "programme": g.cycle.programme if g.cycle and g.cycle.outcome == "running" else None,
                "phase": g.phase,
                "phase_since": iso(g.phase_since_ms),
                "phase_until": iso(g.phase_until_ms),
                "done_low": iso(g.done_low_ms),
                "done_high": iso(g.done_high_ms),
                "power_w": g.power_w,
                "last_reading": iso(g.last_reading_ms),
                "open_alerts": sum(1 + call.again for call in g.calls),
                "needs_somebody": g.needed,
            }
        )
    return {"machines": found}


def in_contract_form(rows: list[CycleRow], alerts: list[KnownAlert]) -> dict[str, Any]:
    """Cycles and alerts as ``loadbook assess --json`` writes them, with the ledger's own facts beside."""
    index = {(row.machine, row.cycle.key_ms): i for i, row in enumerate(rows)}
    said = []
    for known in alerts:
        key = known.alert.cycle_key_ms
        place = None if key is None else index.get((known.machine, key))
        more = {
            "machine": known.machine,
            "priority": alert_kind(known.alert.kind).priority,
            "seen_at": iso(known.seen_ms),
            "seen_by": known.seen_by,
            "quiet": known.quiet.why if known.quiet else None,
        }
        said.append({**known.alert.as_contract(place), **more})
    return {
        "cycles": [{**row.cycle.as_contract(), "machine": row.machine, "key_ms": row.cycle.key_ms} for row in rows],
        "alerts": said,
        "verdict": "attention" if any(row.cycle.verdict != "pass" for row in rows) or alerts else "pass",
    }


@blueprint.get("/machines/<machine>/cycles")
def cycles(machine: str) -> dict[str, Any]:
    """Cycles of a machine with their phases, newest first, and the alerts that belong to them."""
    known, here = machine_or_404(machine), parts()
    queries = here.queries
    rows = queries.cycles(machine, whole("before_ms", FAR_MS, 0, FAR_MS), whole("limit", 20, 1, MOST_CYCLES))
    alerts: list[KnownAlert] = []
    for row in rows:
        row.cycle = here.brought_up(known, queries.cycle(machine, row.cycle.key_ms) or row.cycle)
        alerts += queries.alerts_of_cycle(machine, row.cycle.key_ms)
    return in_contract_form(rows, alerts)


@blueprint.get("/machines/<machine>/cycles/<int:key_ms>")
def cycle(machine: str, key_ms: int) -> dict[str, Any]:
    """One cycle, in the same form."""
    known, queries = machine_or_404(machine), parts().queries
    found = queries.cycle(machine, key_ms)
    if found is None:
        abort(404)
    parts().brought_up(known, found)
    return in_contract_form([CycleRow(machine, found)], queries.alerts_of_cycle(machine, key_ms))


@blueprint.get("/alerts")
def alerts() -> dict[str, Any]:
    """Alerts that stand, or are over and nobody has seen."""
    return {"alerts": in_contract_form([], parts().open_alerts())["alerts"]}


@blueprint.get("/machines/<machine>/trace")
def trace(machine: str) -> dict[str, Any]:
    """The readings of [from_ms, to_ms) as least and most per pixel column."""
    row = machine_or_404(machine)
    here = parts()
    to_ms = whole("to_ms", here.now_ms() + 1, 0, FAR_MS)
    from_ms = whole("from_ms", to_ms - 3_600_000, 0, FAR_MS)
    columns = whole("columns", 900, 50, MOST_COLUMNS)
    if from_ms >= to_ms:
        abort(400, "from_ms must lie before to_ms.")
    if row.meter is None:
        abort(404)
    recent = here.hub.recent(row.meter)
    with here.readings() as source:
        drawn = read_trace(source, recent, row.meter, start_ms=from_ms, end_ms=to_ms, columns=columns)
    return {"machine": machine, "from_ms": from_ms, "to_ms": to_ms, **drawn}


@blueprint.get("/machines/<machine>/timeline")
def timeline(machine: str) -> dict[str, Any]:
    """Phases and pins of one cycle (``cycle=KEY``), or of a stretch of time."""
    row = machine_or_404(machine)
    queries = parts().queries
    key_ms = whole("cycle", 0, 0, FAR_MS)
    if key_ms:
        found = queries.cycle(machine, key_ms)
        if found is None:
            abort(404)
        return as_json(row, [found], queries.alerts_of_cycle(machine, key_ms))
    to_ms = whole("to_ms", parts().now_ms(), 0, FAR_MS)
    from_ms = whole("from_ms", to_ms - 3_600_000, 0, FAR_MS)
    longest_ms = 86_400_000
    rows = queries.cycles(machine, to_ms, MOST_CYCLES, from_ms - longest_ms)
    if to_ms - from_ms > PHASES_BELOW_MS:
        return cycles_as_json(row, [r.cycle for r in reversed(rows)], queries.alerts_between(machine, from_ms, to_ms))
    found_all = [queries.cycle(machine, r.cycle.key_ms) for r in reversed(rows) if r.cycle.end_ms >= from_ms]
    return as_json(row, [c for c in found_all if c], queries.alerts_between(machine, from_ms, to_ms))
