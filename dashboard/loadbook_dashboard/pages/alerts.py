"""The alerts: what stands, what is over but nobody has seen, what was seen before; marking as seen and noting."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, abort, flash, redirect, render_template, request, session, url_for
from loadbook.alert_kinds import PRIORITY_ORDER, PRIORITY_WORDS, AlertKind, alert_kind
from werkzeug.wrappers import Response

from loadbook_dashboard import words
from loadbook_dashboard.api import FAR_MS
from loadbook_dashboard.parts import parts
from loadbook_dashboard.queries import KnownAlert, MachineRow
from loadbook_dashboard.requests import RefusedError
from loadbook_dashboard.timeline import letter, title_of

blueprint = Blueprint("alerts", __name__)

PAST = 30


@dataclass(slots=True)
class Explained:
    """An alert with everything a page says about it."""

    known: KnownAlert
    machine: MachineRow
    letter: str
    title: str
    kind: AlertKind
    priority_words: str
    phase: str | None
    expected: str
    measured: str


def explained(alerts: list[KnownAlert], machines: dict[str, MachineRow]) -> list[Explained]:
    """Alerts in words, lettered in their order."""
    return [_explained(known, machines[known.machine], i) for i, known in enumerate(alerts)]


def _explained(known: KnownAlert, machine: MachineRow, index: int) -> Explained:
    alert = known.alert
    kind = alert_kind(alert.kind)
    return Explained(
        known=known,
        machine=machine,
        letter=letter(index),
        title=title_of(machine, known),
        kind=kind,
        priority_words=PRIORITY_WORDS[kind.priority],
        phase=words.phase_name(machine.chart, known.programme, alert.phase) if alert.phase else None,
        expected=words.between(alert.low, alert.high, alert.unit),
        measured=words.measured(alert.measured, alert.unit) if alert.measured is not None else "",
    )


def _urgent_first(row: Explained) -> tuple[int, int]:
    return PRIORITY_ORDER[row.kind.priority], -row.known.alert.raised_ms


@blueprint.get("/alerts")
def page() -> str:
    """All alerts in their three lists."""
    queries = parts().queries
    machines = {m.id: m for m in queries.machines()}
    rows = explained(queries.open_alerts(), machines)
    return render_template(
        "alerts.html",
        standing=sorted((r for r in rows if r.known.active), key=_urgent_first),
        over=sorted((r for r in rows if not r.known.active), key=_urgent_first),
        past=explained(queries.past_alerts(FAR_MS, PAST), machines),
        your_name=session.get("name", ""),
    )


@blueprint.post("/alerts/<int:alert_id>/seen")
def mark_seen(alert_id: int) -> Response:
    """Say that you have seen it. With a text, note it as well."""
    here = parts()
    known = here.queries.alert(alert_id)
    if known is None:
        abort(404)
    name = session["name"] = request.form.get("name", "").strip()[:60]
    text = request.form.get("text", "").strip()[:2000]
    wanted = request.form.get("what", "seen")
    try:
        if text:
            noted = {"cycle_key_ms": None, "alert_key": known.alert.key, "text": text}
            here.asker.ask("note_add", machine=known.machine, by=name, **noted)
        if wanted == "seen":
            here.asker.ask("alert_seen", machine=known.machine, by=name, key=known.alert.key)
        flash("Marked as seen." if wanted == "seen" else "Note written." if text else "The note was empty.", "done")
    except RefusedError as refused:
        flash(str(refused), "refused")
    back = request.form.get("back", "")
    if back.startswith("/") and not back.startswith("//"):
        return redirect(back)
    return redirect(url_for(".page"))
