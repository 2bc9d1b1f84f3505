"""An assessment as people read it: a line on the log, a table of phases for each cycle, the alerts, the verdict."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo

from loadbook.assessment import Assessment
from loadbook.cost.money import amount_of, shown
from loadbook.events import Alert, Cycle, Phase
from loadbook.machine import Machine, PhaseChart, Programme

_VERDICTS = {
    "ok": "ok", "too_long": "TOO LONG", "too_short": "TOO SHORT", "low": "LOW", "high": "HIGH", "missing": "MISSING",
    "unexpected": "UNEXPECTED",
}  # fmt: skip
_OUTCOMES = {"completed": "completed", "stopped_early": "STOPPED EARLY", "running": "still running as the log ends"}
_RIGHT = {"lasted", "expected", "W", "Wh"}


def lasted(ms: int) -> str:
    """A duration as ``h:mm:ss`` or ``m:ss``."""
    minutes, seconds = divmod(max(ms, 0) // 1000, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"


def _window(chart: PhaseChart | None) -> str:
    if chart is None:
        return ""
    if chart.min_s == 0:
        return f"to {lasted(round(chart.max_s * 1000))}"
    return f"{lasted(round(chart.min_s * 1000))} to {lasted(round(chart.max_s * 1000))}"


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:,.{0 if abs(value) >= 99.95 else 1}f}"


def table(
    titles: list[str], rows: list[list[str]], indent: str = "  ", right: Collection[str] = frozenset(_RIGHT)
) -> list[str]:
    """Lines of a table with columns as wide as they need be; columns that are empty throughout are left out."""
    used = [i for i in range(len(titles)) if any(row[i] for row in rows)]
    width = {i: max(len(titles[i]), *(len(row[i]) for row in rows)) for i in used}
    lines = []
    for row in [titles, *rows]:
        cells = [row[i].rjust(width[i]) if titles[i] in right else row[i].ljust(width[i]) for i in used]
        lines.append((indent + "  ".join(cells)).rstrip())
    return lines


class _Clock:
    """Times of day in one zone: the one asked for, or this computer's."""

    def __init__(self, zone: str | None) -> None:
        self.zone: tzinfo | None = ZoneInfo(zone) if zone else None

    def _at(self, at_ms: int) -> datetime:
        return datetime.fromtimestamp(at_ms / 1000, self.zone).astimezone(self.zone)

    def time(self, at_ms: int | None) -> str:
        return "" if at_ms is None else self._at(at_ms).strftime("%H:%M:%S")

    def day(self, at_ms: int) -> str:
        return self._at(at_ms).strftime("%Y-%m-%d")

    def full(self, at_ms: int) -> str:
        return self._at(at_ms).strftime("%Y-%m-%d %H:%M:%S")

    def name(self, at_ms: int) -> str:
        return self._at(at_ms).tzname() or "local time"


def _programme(machine: Machine | None, cycle: Cycle) -> Programme | None:
    if machine is None or cycle.programme is None:
        return None
    return next((p for p in machine.programmes if p.id == cycle.programme), None)


def _cycle(number: int, cycle: Cycle, machine: Machine | None, clock: _Clock) -> list[str]:
    programme = _programme(machine, cycle)
    name = (programme.name or programme.id) if programme else cycle.programme or "no programme known"
    head = f"Cycle {number}: {name}, {_OUTCOMES[cycle.outcome]}"
    span = f"{clock.full(cycle.start_ms)} to {clock.time(cycle.end_ms)} ({lasted(cycle.end_ms - cycle.start_ms)})"
    facts = [span]
    if cycle.energy_kwh is not None:
        facts.append(f"{cycle.energy_kwh:.3f} kWh")
    if cycle.cost is not None and cycle.currency:
        facts.append(shown(amount_of(cycle.cost), cycle.currency))
    if cycle.peak_w is not None:
        facts.append(f"peak {cycle.peak_w:,.0f} W")
    lines = [head, "  " + ", ".join(facts)]
    charts = {chart.id: chart for chart in programme.phases} if programme else {}
    rows = [_phase(phase, charts.get(phase.id or ""), clock) for phase in cycle.phases]
    if rows:
        lines += table(["phase", "stage", "from", "lasted", "expected", "W", "Wh", "drew", "verdict"], rows)
    return lines


def _phase(phase: Phase, chart: PhaseChart | None, clock: _Clock) -> list[str]:
    known = phase.start_ms is not None and phase.end_ms is not None
    return [
        phase.id or "",
        phase.stage,
        clock.time(phase.start_ms) if known else "did not come",
        lasted((phase.end_ms or 0) - (phase.start_ms or 0)) if known else "",
        _window(chart),
        _number(phase.power_w),
        _number(None if phase.energy_kwh is None else phase.energy_kwh * 1000),
        ", ".join(phase.on),
        _VERDICTS[phase.verdict],
    ]


def _measured(alert: Alert) -> str:
    """``measured 912 W, allowed 1,539 to 1,796 W``."""
    unit = f" {alert.unit}" if alert.unit else ""

    def number(value: float) -> str:
        if alert.unit == "s":
            return f"{lasted(round(value * 1000))}"
        return f"{value:,.0f}" if abs(value) >= 100 else f"{value:,.3g}"

    shown_unit = "" if alert.unit == "s" else unit
    parts = [] if alert.measured is None else [f"measured {number(alert.measured)}{shown_unit}"]
    if alert.low is not None and alert.high is not None:
        parts.append(f"allowed {number(alert.low)} to {number(alert.high)}{shown_unit}")
    elif alert.high is not None:
        parts.append(f"allowed at most {number(alert.high)}{shown_unit}")
    elif alert.low is not None:
        parts.append(f"allowed at least {number(alert.low)}{shown_unit}")
    return ", ".join(parts)


def _alert(alert: Alert, cycle: int | None, clock: _Clock) -> list[str]:
    where = [f"cycle {cycle + 1}"] if cycle is not None else []
    where += [f"phase {alert.phase}"] if alert.phase else []
    where += [alert.component] if alert.component else []
    lines = [f"Alert: {alert.kind.replace('_', ' ')}" + (f" ({', '.join(where)})" if where else "")]
    times = f"  began {clock.full(alert.began_ms)}, raised {clock.time(alert.raised_ms)}"
    times += f", over {clock.time(alert.cleared_ms)}" if alert.cleared_ms is not None else ", not over in this log"
    lines.append(times)
    if measured := _measured(alert):
        lines.append(f"  {measured}")
    return lines


def _causes(alert: Alert) -> list[str]:
    lines = []
    for cause in alert.causes:
        lines.append(f"  - {cause.cause}: {cause.because}")
        lines.append(f"    Check: {cause.check}")
    cautions = dict.fromkeys(cause.safety for cause in alert.causes if cause.safety)
    return lines + [f"  Caution: {caution}" for caution in cautions]


def as_text(result: Assessment, machine: Machine | None, zone: str | None = None) -> str:
    """The whole assessment in words. ``zone`` is an IANA time zone; None is this computer's."""
    clock, report = _Clock(zone), result.report
    lines = [
        f"Log from {clock.full(report.first_ms)} to {clock.full(report.last_ms)} ({clock.name(report.first_ms)}), "
        f"{report.rows:,} rows, {result.energy_kwh:.3f} kWh"
    ]
    if report.gaps:
        away = sum(end - start for start, end in report.gaps)
        many = "1 gap" if len(report.gaps) == 1 else f"{len(report.gaps)} gaps"
        lines.append(f"{many} of more than 10 s without a reading, {lasted(away)} in all")
    if report.skipped:
        lines.append(f"{report.skipped:,} rows could not be used")
    for number, cycle in enumerate(result.cycles, start=1):
        lines += ["", *_cycle(number, cycle, machine, clock)]
    if not result.cycles:
        lines += ["", "No cycle in this log."]
    told: list[list[str]] = []
    for alert in result.alerts:
        lines += ["", *_alert(alert, result.cycle_of(alert), clock)]
        causes = _causes(alert)
        if causes and causes in told:
            causes = ["  causes and checks as above"]
        told.append(causes)
        lines += causes
    lines += ["", _verdict(result)]
    return "\n".join(lines)


def _verdict(result: Assessment) -> str:
    if result.verdict == "pass":
        return "Verdict: pass. Nothing to attend to. (A statement about energy use, not a safety test.)"
    count = len(result.alerts)
    return f"Verdict: attention. {count} alert{'' if count == 1 else 's'}."
