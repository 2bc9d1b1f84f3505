"""Soak tests: the list, a new order, one test from start to signed report. Changes go through the recorder."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from flask import Blueprint, Response, abort, flash, redirect, render_template, request, url_for
from loadbook.alert_kinds import ALERT_TABLE
from loadbook.errors import LoadbookError
from loadbook.paper import pdf_of_html
from loadbook.soak.order import STOPPING_KINDS
from loadbook.soak.verdict import left_open
from loadbook.store import soak_ledger
from loadbook.store.soak_ledger import SoakTest
from werkzeug.wrappers import Response as AnyResponse

from loadbook_dashboard import words
from loadbook_dashboard.api import machine_or_404
from loadbook_dashboard.gate import author, your_name
from loadbook_dashboard.parts import parts
from loadbook_dashboard.requests import RefusedError
from loadbook_dashboard.soak_report import FINDING_WORDS, VERDICT_WORDS, Remark, for_paper, gather, result_row, tally
from loadbook_dashboard.soak_report import issue as issue_report
from loadbook_dashboard.soak_words import ENTRY_WORDS, STATE_WORDS, night, place

blueprint = Blueprint("soak", __name__, url_prefix="/soak")

SAFETY_ROWS = 6
REPORT_POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; "
    "form-action 'none'; sandbox allow-same-origin allow-modals allow-popups"
)
"""A report is kept as it was issued and only shown: whatever stands in it, nothing in it runs."""


def _test_or_404(number: str) -> SoakTest:
    with parts().queries.open() as db:
        test = soak_ledger.read_test(db, number)
    if test is None:
        abort(404)
    return test


def _asked(action: str, done: str, **what: Any) -> bool:
    """Ask the recorder; say on the next page how it went."""
    try:
        parts().asker.ask(action, **what)
    except RefusedError as refused:
        flash(str(refused), "refused")
        return False
    flash(done, "done")
    return True


@blueprint.get("/")
def page() -> str:
    """Every test, the newest first."""
    here = parts()
    rows = []
    with here.queries.open() as db:
        for test in soak_ledger.read_tests(db):
            now = soak_ledger.progress_of(db, test, here.now_ms())
            finding = next((r.finding for r in soak_ledger.read_reports(db, test.id)), None)
            rows.append({"test": test, "now": now, "place": place(now), "finding": finding})
    machines = {m.id: m for m in here.queries.machines()}
    return render_template(
        "soak.html", rows=rows, machines=machines, state_words=STATE_WORDS, finding_words=FINDING_WORDS
    )


@blueprint.get("/new/<machine>")
def new(machine: str) -> str:
    """The order of a test."""
    row = machine_or_404(machine)
    kinds = [(kind, words.plain(kind), kind in STOPPING_KINDS) for kind in ALERT_TABLE]
    return render_template("soak_new.html", m=row, kinds=kinds)


def _number(name: str, factor: float = 1.0) -> Any:
    """A field as a number; what is no number goes on as it is, for the recorder to name."""
    text = request.form.get(name, "").strip().replace(",", ".")
    if not text:
        return None
    try:
        value = float(text) * factor
    except ValueError:
        return text
    return int(value) if value == int(value) else value


def _order(machine: str, components: list[str]) -> dict[str, Any]:
    form = request.form
    order: dict[str, Any] = {
        name: form.get(name, "").strip()
        for name in ("ticket", "customer", "appliance", "serial_number", "complaint", "parts_replaced")
    }
    order |= {"machine": machine, "technician": author(), "end_early_on": form.getlist("end_early_on")}
    order["programme"] = form.get("programme") or None
    if (cycles := _number("cycles")) is not None:
        order["cycles"] = cycles
    if (pause := _number("pause_min", 60)) is not None:
        order["pause_max_s"] = pause
    if until := form.get("until", "").strip():
        try:
            local = datetime.fromisoformat(until).replace(tzinfo=parts().time.zone)
            order["until_ms"] = int(local.timestamp() * 1000)
        except ValueError:
            order["until_ms"] = until
    limits = []
    for part in components:
        low, high = _number(f"low-{part}"), _number(f"high-{part}")
        if low is not None or high is not None:
            limits.append({"component": part, "low_w": low, "high_w": high})
    order["limits"] = limits
    return order


@blueprint.post("/new/<machine>")
def order(machine: str) -> str | AnyResponse:
    """Begin a test; a refused order is shown again as it was filled in."""
    row = machine_or_404(machine)
    components = [c.id for c in row.chart.components] if row.chart else []
    try:
        answer = parts().asker.ask("soak_order", order=_order(machine, components))
    except RefusedError as refused:
        flash(str(refused), "refused")
        return new(machine)
    flash(f"Test {answer['number']} has begun. Start the machine.", "done")
    return redirect(url_for(".test_page", number=answer["number"]))


def _test(number: str) -> dict[str, Any]:
    here = parts()
    test = _test_or_404(number)
    with here.queries.open() as db:
        found = gather(db, test)
        now = soak_ledger.progress_of(db, test, here.now_ms())
        reports = soak_ledger.read_reports(db, test.id)
    return {
        "test": test,
        "found": found,
        "now": now,
        "place": place(now),
        "state": STATE_WORDS[now.state],
        "lines": night(test.order, now, found.alerts, found.machine, here.time),
        "rows": [result_row(r) for r in found.verdict.results],
        "tally": tally(found.verdict),
        "left_open": left_open(found.verdict),
        "reports": reports,
        "verdict_words": VERDICT_WORDS,
        "finding_words": FINDING_WORDS,
        "entry_words": ENTRY_WORDS,
        "programme": found.programme.id if found.programme else None,
        "your_name": your_name() or test.order.technician,
        "safety_rows": SAFETY_ROWS,
    }


@blueprint.get("/<number>")
def test_page(number: str) -> str:
    """One test."""
    return render_template("soak_test.html", **_test(number))


@blueprint.get("/<number>/part")
def part(number: str) -> str:
    """What changes while a test runs, for the live page."""
    return render_template("soak_test_part.html", **_test(number))


@blueprint.post("/<number>/diary")
def diary(number: str) -> AnyResponse:
    """Pause, resume, note or end, as the pressed button says."""
    _test_or_404(number)
    said = {"pause": "Paused.", "resume": "Resumed.", "note": "Note written.", "end": "The test has ended."}
    what = request.form.get("what", "")
    if what not in said:
        abort(400, "what must be pause, resume, note or end.")
    _asked(f"soak_{what}", said[what], number=number, by=author(), text=request.form.get("text", "").strip())
    return redirect(url_for(".test_page", number=number))


@blueprint.post("/<number>/safety")
def safety(number: str) -> AnyResponse:
    """Keep the values of an electrical safety test as the licensed person enters them."""
    _test_or_404(number)
    form = request.form
    fields = ("check", "limit", "value", "result")
    rows = [{f: form.get(f"{f}-{i}", "").strip() for f in fields} for i in range(SAFETY_ROWS)]
    record = {name: form.get(name, "").strip() for name in ("tester", "standard", "instrument")}
    checks = [row for row in rows if any(row.values())]
    _asked("soak_safety", "The safety test's values are kept.", number=number, record={**record, "checks": checks})
    return redirect(url_for(".test_page", number=number))


@blueprint.post("/<number>/report")
def issue(number: str) -> AnyResponse:
    """Issue a report: made now, kept as it is."""
    here = parts()
    test = _test_or_404(number)
    remark = Remark(author(), request.form.get("remark", "").strip()[:4000])
    try:
        with here.queries.open() as db, here.readings() as readings:
            found = gather(db, test)
            report_id, _ = issue_report(here.asker, found, readings, here.settings, remark=remark, now_ms=here.now_ms())
    except RefusedError as refused:
        flash(str(refused), "refused")
        return redirect(url_for(".test_page", number=number))
    return redirect(url_for(".report", number=number, report_id=report_id))


def _report_or_404(number: str, report_id: str) -> str:
    """A report of this very test."""
    test = _test_or_404(number)
    with parts().queries.open() as db:
        mine = any(report.id == report_id for report in soak_ledger.read_reports(db, test.id))
        html = soak_ledger.report_html(db, report_id) if mine else None
    if html is None:
        abort(404)
    return html


@blueprint.get("/<number>/report/<report_id>")
def report(number: str, report_id: str) -> Response:
    """A report as it was issued."""
    answer = Response(_report_or_404(number, report_id), mimetype="text/html")
    answer.headers["Content-Security-Policy"] = REPORT_POLICY
    return answer


@blueprint.get("/<number>/report/<report_id>.pdf")
def report_pdf(number: str, report_id: str) -> Response:
    """The same as PDF."""
    try:
        pdf = pdf_of_html(for_paper(_report_or_404(number, report_id)))
    except LoadbookError as bad:
        abort(503, f"{bad}.")
    headers = {"Content-Disposition": f'attachment; filename="soak-test-{report_id}.pdf"'}
    return Response(pdf, mimetype="application/pdf", headers=headers)
