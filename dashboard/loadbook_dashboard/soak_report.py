"""The soak-test report: everything it says, gathered from the ledger and the readings, and its HTML.

One template serves screen, print and PDF. What a report says is fixed when it is issued: the HTML is kept as it was.
Contents after ISO/IEC 17025:2017, 7.8.2.1 (what a test report names); Loadbook does not claim conformity with it.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from loadbook import __version__
from loadbook.alert_kinds import alert_title
from loadbook.events import Alert, Cycle
from loadbook.machine import Machine, Programme, parse_machine
from loadbook.reading import HOLD_MS
from loadbook.services.soak_desk import new_report_id
from loadbook.settings import Settings
from loadbook.soak.decide import RULE, RULE_ID, Finding
from loadbook.soak.requirements import requirements
from loadbook.soak.safety import NONE_RECORDED, SafetyRecord
from loadbook.soak.verdict import Result, Verdict, draw_verdict, left_open
from loadbook.store import soak_ledger
from loadbook.store.readings import Envelope
from loadbook.store.soak_ledger import SoakTest
from markupsafe import Markup

from loadbook_dashboard import words
from loadbook_dashboard.expectation import Supply, expected, levels_of
from loadbook_dashboard.report_trace import Mark, Span, draw
from loadbook_dashboard.requests import Asker

COLUMNS = 900
TRACES = 2
"""A report of two pages has room for this many traces: the cycle with most findings, and the last one."""

FINDING_WORDS = {
    Finding.MET: "Met",
    Finding.NOT_MET: "Not met",
    Finding.UNDECIDED: "Undecided",
    Finding.NOT_ASSESSED: "Not assessed",
}
VERDICT_WORDS = {
    Finding.MET: "All requirements met",
    Finding.NOT_MET: "Not all requirements met",
    Finding.UNDECIDED: "Undecided: within the measurement uncertainty",
    Finding.NOT_ASSESSED: "Not fully assessed",
}


class Readings(Protocol):
    """What the report needs of the store."""

    def envelope(self, meter: str, start_ms: int, end_ms: int, columns: int, quantity: str = "power_w") -> Envelope:
        """Lowest, mean and highest per slice."""


@dataclass(frozen=True, slots=True)
class Remark:
    """What the person who issues the report adds."""

    author: str
    text: str = ""


@dataclass(slots=True)
class Gathered:
    """All that a report is made from."""

    test: SoakTest
    machine: Machine
    programme: Programme | None
    cycles: list[Cycle]
    alerts: list[Alert]
    verdict: Verdict
    safety: tuple[int, SafetyRecord] | None
    replaces: str | None


def gather(db: sqlite3.Connection, test: SoakTest) -> Gathered:
    """The test's cycles and alerts, judged by the decision rule. ``db`` may be a read-only connection."""
    machine = parse_machine(test.machine_file, f"{test.machine}, as kept with test {test.number}")
    cycles, alerts = soak_ledger.cycles_and_alerts(db, test)
    programme = machine.programme(test.order.programme) if test.order.programme else _only(machine, cycles)
    required = requirements(machine, programme, test.order.limits)
    reports = soak_ledger.read_reports(db, test.id)
    return Gathered(
        test=test,
        machine=machine,
        programme=programme,
        cycles=cycles,
        alerts=alerts,
        verdict=draw_verdict(required, cycles, alerts, test.accuracy),
        safety=soak_ledger.read_safety(db, test.id),
        replaces=reports[0].id if reports else None,
    )


def _only(machine: Machine, cycles: Sequence[Cycle]) -> Programme | None:
    """The programme that all the cycles ran, where the order named none."""
    seen = {c.programme for c in cycles if c.programme}
    return machine.programme(seen.pop()) if len(seen) == 1 else None


def render(
    found: Gathered, readings: Readings, settings: Settings, *, report_id: str, remark: Remark, now_ms: int
) -> str:
    """The report's HTML. It links the style sheet ``report.css`` beside it; ``for_paper`` puts that inside."""
    time = words.site_time(settings.site.time_zone)
    numbers = {id(alert): n for n, alert in enumerate(found.alerts, 1)}
    environment = Environment(
        loader=PackageLoader("loadbook_dashboard", "pages"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.globals.update(w=words, time=time, finding_words=FINDING_WORDS)
    return environment.get_template("soak_report.html").render(
        report_id=report_id,
        issued_ms=now_ms,
        found=found,
        test=found.test,
        order=found.test.order,
        verdict=found.verdict,
        verdict_words=VERDICT_WORDS[found.verdict.finding],
        site=settings.site,
        version=__version__,
        chart_hash=hashlib.sha256(found.test.machine_file.encode()).hexdigest()[:12],
        rule=RULE,
        rule_id=RULE_ID,
        rows=[result_row(r) for r in found.verdict.results],
        cycles=[_cycle_row(n, c, found, time) for n, c in enumerate(found.cycles, 1)],
        findings=[_finding(numbers[id(a)], a, found, time) for a in found.alerts],
        traces=_traces(found, readings, numbers, time),
        tally=tally(found.verdict),
        left_open=left_open(found.verdict),
        not_assessed=[r for r in found.verdict.results if r.finding is Finding.NOT_ASSESSED],
        none_recorded=NONE_RECORDED,
        remark=remark,
    )


def issue(
    asker: Asker, found: Gathered, readings: Readings, settings: Settings, *, remark: Remark, now_ms: int
) -> tuple[str, str]:
    """Make a report and have the recorder keep it: (its id, its HTML). Raises RefusedError."""
    report_id = new_report_id(found.test.number)
    html = render(found, readings, settings, report_id=report_id, remark=remark, now_ms=now_ms)
    asker.ask(
        "soak_report", number=found.test.number, report=report_id, by=remark.author, remark=remark.text,
        finding=found.verdict.finding.value, html=html,
    )  # fmt: skip
    return report_id, html


def for_paper(html: str) -> str:
    """The same with its style sheet inside, as the PDF needs it, which may fetch nothing."""
    css = (Path(__file__).parent / "static" / "report.css").read_text(encoding="utf-8")
    head, link, rest = html.partition('<link rel="stylesheet" href="/static/report.css">')
    return f"{head}<style>{css}</style>{rest}" if link else html


def _figure(value: float | None, unit: str) -> str:
    if value is None:
        return words.NONE
    if unit == "s":
        return words.exact_duration(value)
    return words.number(value, 1 if unit == "W" and abs(value) < 9.95 else 0)


def tally(verdict: Verdict) -> str:
    """How many requirements came out how, where not all of them were assessed; else empty."""
    if not left_open(verdict):
        return ""
    found = [r.finding for r in verdict.results]
    counts = [(found.count(finding), FINDING_WORDS[finding].lower()) for finding in Finding]
    return f"Of {len(found)} requirements: " + ", ".join(f"{n} {word}" for n, word in counts if n) + "."


def result_row(result: Result) -> dict[str, Any]:
    """One requirement as a row of the table: words, allowed, measured, uncertainty, finding."""
    required, spread = result.requirement, result.spread()
    low, high = required.bounds.low, required.bounds.high
    unit = required.unit
    allowed = words.NONE
    if low is not None and high is not None:
        allowed = f"{_figure(low, unit)} to {_figure(high, unit)}"
    elif high is not None:
        allowed = f"at most {_figure(high, unit)}" if high else "none"
    elif low is not None:
        allowed = f"at least {_figure(low, unit)}"
    measured, uncertainty = words.NONE, words.NONE
    if spread is not None:
        least, mean, most = spread
        measured = _figure(most, unit)
        if required.quantity != "events" and _figure(least, unit) != measured:
            measured = f"{_figure(least, unit)} to {measured}"
        u = result.uncertainty(mean)
        if u:
            own_unit = f"{words.NARROW}s" if unit == "s" else ""  # beside minutes and seconds its own unit is said
            uncertainty = f"±{words.NARROW}{words.number(u, 1 if u < 9.95 else 0)}{own_unit}"
    shown_unit = {"1": "", "s": "min:s"}.get(unit, unit)
    return {
        "words": required.words, "allowed": allowed, "basis": required.basis, "measured": measured,
        "uncertainty": uncertainty, "unit": shown_unit, "finding": result.finding, "why": result.why,
        "cycles": len(result.measured),
    }  # fmt: skip


def _cycle_row(number: int, cycle: Cycle, found: Gathered, time: words.SiteTime) -> dict[str, Any]:
    raised = [i for i, a in enumerate(found.alerts, 1) if a.cycle_key_ms == cycle.key_ms]
    return {
        "number": number,
        "start": f"{time.day(cycle.start_ms)} {time.time_s(cycle.start_ms)}",
        "length": words.exact_duration((cycle.end_ms - cycle.start_ms) / 1000),
        "outcome": words.OUTCOME_WORDS.get(cycle.outcome, cycle.outcome),
        "energy": words.kwh(cycle.energy_kwh),
        "cost": words.money(cycle.cost, cycle.currency),
        "peak": words.watts(cycle.peak_w),
        "findings": raised,
    }


def _finding(number: int, alert: Alert, found: Gathered, time: words.SiteTime) -> dict[str, Any]:
    programme = found.programme.id if found.programme else None
    phase = words.phase_name(found.machine, programme, alert.phase) if alert.phase else None
    cycle = next((n for n, c in enumerate(found.cycles, 1) if c.key_ms == alert.cycle_key_ms), None)
    over = alert.cleared_ms is not None or (cycle is not None and found.cycles[cycle - 1].outcome != "running")
    return {
        "number": number,
        "title": alert_title(alert.kind, words.part_name(found.machine, alert.component), phase, over),
        "cycle": cycle,
        "uncounted": cycle is None and alert.cycle_key_ms is not None,
        "began": f"{time.day(alert.began_ms)} {time.time_s(alert.began_ms)}",
        "measured": words.measured(alert.measured, alert.unit),
        "allowed": words.between(alert.low, alert.high, alert.unit),
        "causes": alert.causes[:2],
    }


def _traces(found: Gathered, readings: Readings, numbers: dict[int, int], time: words.SiteTime) -> list[dict[str, Any]]:
    meter = found.test.meter
    if meter is None or not found.cycles:
        return []
    alerts_of = {c.key_ms: [a for a in found.alerts if a.cycle_key_ms == c.key_ms] for c in found.cycles}
    most = max(found.cycles, key=lambda c: (len(alerts_of[c.key_ms]), -c.start_ms))
    chosen = {most.key_ms, found.cycles[-1].key_ms}
    drawn: list[dict[str, Any]] = []
    for number, cycle in enumerate(found.cycles, 1):
        if cycle.key_ms not in chosen or len(drawn) == TRACES:
            continue
        end_ms = max(cycle.end_ms, cycle.start_ms + 60_000)
        margin = max(30_000, (end_ms - cycle.start_ms) // 50)
        envelope = readings.envelope(meter, cycle.start_ms - margin, end_ms + margin, COLUMNS)
        spans = _spans(
            found.machine, cycle, Supply(readings.envelope(meter, cycle.start_ms, end_ms, COLUMNS, "voltage_v"))
        )
        marks = [Mark(a.began_ms, numbers[id(a)]) for a in alerts_of[cycle.key_ms]]
        low, high = _held(envelope)
        title = f"Cycle {number}: power over time, {len(spans)} phases, {len(marks)} findings; figures in the tables"
        svg = draw(envelope.at_ms(), low, high, spans=spans, marks=marks, zone=time.zone, title=title)
        step_s = (envelope.end_ms - envelope.start_ms) / COLUMNS / 1000
        drawn.append({"number": number, "svg": Markup(svg), "step": f"{step_s:.0f}", "start": time.day(cycle.start_ms)})
    return drawn


def _spans(machine: Machine, cycle: Cycle, supply: Supply) -> list[Span]:
    """The phases that ran, each with what its parts may draw at the voltage it had."""
    chart = {p.id: p for programme in machine.programmes if programme.id == cycle.programme for p in programme.phases}
    spans = []
    for phase in cycle.phases:
        if phase.start_ms is None or phase.end_ms is None:
            continue
        name = words.phase_name(machine, cycle.programme, phase.id, phase.stage)
        levels = levels_of(machine, chart.get(phase.id or ""))
        bands = expected(levels, supply.mean_v(phase.start_ms, phase.end_ms) or supply.mean_v(None, None))
        spans.append(Span(phase.start_ms, phase.end_ms, name, phase.verdict != "ok", bands))
    return spans


def _held(envelope: Envelope) -> tuple[np.ndarray, np.ndarray]:
    """Low and high with short stretches without a column's reading bridged, as a reading is held for 10 s."""
    low, high = envelope.low.copy(), envelope.high.copy()
    step_ms = (envelope.end_ms - envelope.start_ms) / max(len(low), 1)
    reach = int(HOLD_MS // step_ms) if step_ms else 0
    since = reach + 1
    for i in range(len(low)):
        if np.isfinite(high[i]):
            since = 0
        elif i and since < reach:
            low[i], high[i], since = low[i - 1], high[i - 1], since + 1
    return low, high
