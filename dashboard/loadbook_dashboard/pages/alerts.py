"""The alerts: what stands, what is over but nobody has seen, what was seen before; marking as seen and noting."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from loadbook.alert_kinds import ALERT_TABLE, PRIORITY_ORDER, PRIORITY_WORDS, AlertKind, alert_kind, alert_title
from werkzeug.wrappers import Response

from loadbook_dashboard import words
from loadbook_dashboard.api import FAR_MS, machine_or_404
from loadbook_dashboard.gate import author, local_path
from loadbook_dashboard.matters import matters
from loadbook_dashboard.parts import Parts, parts
from loadbook_dashboard.queries import KnownAlert, MachineRow
from loadbook_dashboard.requests import RefusedError
from loadbook_dashboard.standing import ASIDE_HOURS
from loadbook_dashboard.timeline import letter, title_of

blueprint = Blueprint("alerts", __name__)

PAST = 30
LOAD_DAYS = 30
A_DAY_MS = 86_400_000


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
    again: list[Explained] = field(default_factory=list)
    """More open alerts of this cycle about the same part that say the same."""


def explained(alerts: list[KnownAlert], machines: dict[str, MachineRow]) -> list[Explained]:
    """Alerts in words, lettered in their order."""
    return [_explained(known, machines[known.machine], i) for i, known in enumerate(alerts)]


def _gathered(alerts: list[KnownAlert], machines: dict[str, MachineRow]) -> list[Explained]:
    """Matters in words: the first alert of each, with the others beside it."""
    rows = []
    for first, *others in matters(alerts):
        row = _explained(first, machines[first.machine], 0)
        row.again = explained(sorted(others, key=lambda k: k.alert.began_ms), machines)
        rows.append(row)
    return rows


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


def _urgent_first(row: Explained) -> tuple[bool, int, int]:
    return row.known.seen, PRIORITY_ORDER[row.kind.priority], -row.known.alert.raised_ms


@dataclass(slots=True)
class Load:
    """How much the alerts ask of people: the last 30 days."""

    a_day: float
    count: int
    most: list[tuple[str, str, int]]
    """(machine's name, kind in words, how often), the five most frequent."""
    old: int
    """How many have stood for more than a day."""


def load_of(here: Parts, machines: dict[str, MachineRow], standing: list[Explained]) -> Load:
    """Figures of the last 30 days (alarm practice after EEMUA 191: few a day, none that stands for days)."""
    now_ms = here.now_ms()
    tallies = here.queries.tallies(now_ms - LOAD_DAYS * A_DAY_MS)
    count = sum(t.count for t in tallies)
    most = [(machines[t.machine].name, alert_title(t.kind, over=True), t.count) for t in tallies[:5]]
    old = sum(now_ms - row.known.alert.began_ms > A_DAY_MS for row in standing)
    return Load(count / LOAD_DAYS, count, most, old)


@blueprint.get("/alerts")
def page() -> str:
    """All alerts in their lists."""
    return render_template("alerts.html", **_lists())


@blueprint.get("/alerts/part")
def part() -> str:
    """The lists alone, for the live page."""
    return render_template("alerts_part.html", **_lists())


def _lists() -> dict[str, Any]:
    here = parts()
    machines = {m.id: m for m in here.queries.machines()}
    rows = _gathered(here.open_alerts(), machines)
    calling = [r for r in rows if r.known.quiet is None]
    standing = sorted((r for r in calling if r.known.active), key=_urgent_first)
    finished = here.queries.cycles(None, here.now_ms() + A_DAY_MS, 20, here.now_ms() - A_DAY_MS)
    return {
        "standing": standing,
        "over": sorted((r for r in calling if not r.known.active), key=_urgent_first),
        "over_count": sum(1 + len(r.again) for r in calling if not r.known.active),
        "aside": [r for r in rows if r.known.quiet is not None],
        "shelves": [(machines[s.machine], alert_title(s.kind), s) for s in here.queries.shelves(here.now_ms())],
        "out_of_service": [m for m in machines.values() if m.out_of_service_since_ms is not None],
        "past": explained(here.queries.past_alerts(FAR_MS, PAST), machines),
        "notices": [(machines[row.machine], row.cycle) for row in finished if row.cycle.outcome == "completed"],
        "load": load_of(here, machines, [r for r in rows if r.known.active]),
    }


def _back() -> Response:
    return redirect(local_path(request.form.get("back", ""), url_for("alerts.page")))


def asked(machine: str, done: str, *requests: tuple[str, dict[str, Any]]) -> None:
    """Ask the recorder for something about a machine, say ``done`` or why not, and let every browser read again."""
    here = parts()
    try:
        for action, what in requests:
            here.asker.ask(action, machine=machine, **what)
        flash(done, "done")
    except RefusedError as refused:
        flash(str(refused), "refused")
    here.hub.changed(machine, "alert")


@blueprint.post("/alerts/<int:alert_id>/seen")
def mark_seen(alert_id: int) -> Response:
    """Say that you have seen it, and those shown with it as one matter. With a text, note it as well."""
    known = parts().queries.alert(alert_id)
    if known is None:
        abort(404)
    shown = {int(also) for also in request.form.getlist("also") if also.isdecimal()}
    with_it = [k for k in parts().queries.open_alerts(known.machine) if k.id in shown and not k.seen]
    name, text = author(), request.form.get("text", "").strip()[:2000]
    wanted = request.form.get("what", "seen")
    requests: list[tuple[str, dict[str, Any]]] = []
    if text:
        requests.append(("note_add", {"cycle_key_ms": None, "alert_key": known.alert.key, "by": name, "text": text}))
    if wanted == "seen":
        requests += [("alert_seen", {"key": k.alert.key, "by": name}) for k in (known, *with_it)]
    if not requests:
        flash("The note was empty, so nothing was written.", "refused")
        return _back()
    asked(known.machine, "Marked as seen." if wanted == "seen" else "Note written.", *requests)
    return _back()


@blueprint.post("/alerts/seen")
def mark_all_seen() -> Response:
    """Say that you have seen everything that is over."""
    here = parts()
    name = author()
    over = [k for matter in matters(here.open_alerts()) for k in matter if not matter[0].active and k.quiet is None]
    if str(len(over)) != request.form.get("count"):
        flash("The list has changed since you looked. Look again.", "refused")
        return _back()
    for machine in dict.fromkeys(known.machine for known in over):
        keys = [known.alert.key for known in over if known.machine == machine]
        asked(machine, "Marked as seen.", *(("alert_seen", {"key": key, "by": name}) for key in keys))
    return _back()


@blueprint.post("/machines/<machine>/aside/<kind>")
def put_aside(machine: str, kind: str) -> Response:
    """Put alerts of a kind aside for some hours, with a reason; or take them back."""
    machine_or_404(machine)
    if kind not in ALERT_TABLE:
        abort(404)
    name, reason = author(), request.form.get("reason", "").strip()[:300]
    if request.form.get("what") == "back":
        asked(machine, "It calls again.", ("alert_unshelve", {"kind": kind, "by": name}))
        return _back()
    hours = request.form.get("hours", "")
    if hours not in {str(h) for h in ASIDE_HOURS} or not reason:
        flash("To put an alert aside, give a reason and for how long. Nothing was changed.", "refused")
        return _back()
    until_ms = parts().now_ms() + int(hours) * 3_600_000
    what = {"kind": kind, "by": name, "reason": reason, "until_ms": until_ms}
    asked(machine, f"Put aside until {parts().time.when(until_ms, parts().now_ms())}.", ("alert_shelve", what))
    return _back()


@blueprint.post("/machines/<machine>/service")
def service(machine: str) -> Response:
    """Take a machine out of service, or put it back."""
    machine_or_404(machine)
    out, name = request.form.get("what") == "out", author()
    reason = request.form.get("reason", "").strip()[:300]
    if out and not reason:
        flash("To take a machine out of service, say why. Nothing was changed.", "refused")
        return _back()
    done = "Out of service." if out else "Back in service."
    asked(machine, done, ("out_of_service", {"on": out, "by": name, "reason": reason}))
    return _back()
