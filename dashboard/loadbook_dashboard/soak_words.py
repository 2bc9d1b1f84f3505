"""A soak test in words: what it does now, and what has happened since you left, in three lines. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from loadbook.alert_kinds import alert_title
from loadbook.events import Alert
from loadbook.machine import Machine
from loadbook.soak.order import Progress, SoakOrder

from loadbook_dashboard import words
from loadbook_dashboard.words import SiteTime

STATE_WORDS = {
    "waiting": "Waiting for the first cycle",
    "running": "Running",
    "between": "Between two cycles",
    "paused": "Paused",
    "ended": "Ended",
}
ENTRY_WORDS = {"started": "Begun", "paused": "Paused", "resumed": "Resumed", "note": "Note", "ended": "Ended"}


def place(now: Progress) -> str:
    """``Cycle 3 of 6``, ``4 of 6 cycles done``, ``2 cycles done``."""
    of = f" of {now.wanted}" if now.wanted else ""
    if now.running is not None and now.state == "running":
        return f"Cycle {now.finished + 1}{of}"
    many = "cycle" if (now.wanted or now.finished) == 1 else "cycles"
    return f"{now.finished}{of} {many} done"


def night(order: SoakOrder, now: Progress, alerts: Sequence[Alert], machine: Machine, time: SiteTime) -> list[str]:
    """Three lines: the cycles, the findings, energy and pauses."""
    return [_cycles(order, now, machine, time), _findings(now, alerts, machine), _figures(now)]


def _cycles(order: SoakOrder, now: Progress, machine: Machine, time: SiteTime) -> str:
    if now.running is not None:
        phases = [p for p in now.running.phases if p.start_ms is not None]
        last = phases[-1] if phases else None
        what = f", {words.phase_name(machine, now.running.programme, last.id, last.stage)}" if last else ""
        since = f" since {time.time(last.start_ms)}" if last else ""
        return f"{place(now)} began at {time.time(now.running.start_ms)}{what}{since}."
    if now.overdue:
        return (
            f"{place(now)}. The machine has not started again for {words.duration(now.waiting_s)}; "
            f"at most {words.duration(order.pause_max_s)} was expected. Somebody is needed."
        )
    if now.state == "waiting":
        return f"{place(now)}. No cycle has begun since the test did, {words.duration(now.waiting_s)} ago."
    if now.state == "between":
        return f"{place(now)}. The machine has stood for {words.duration(now.waiting_s)}."
    return f"{place(now)}. {STATE_WORDS[now.state]} at {time.time(now.since_ms)}."


def _findings(now: Progress, alerts: Sequence[Alert], machine: Machine) -> str:
    if not alerts:
        return "No finding."
    numbers = {c.key_ms: n for n, c in enumerate(now.cycles, 1)}
    first = alerts[0]
    programme = next((c.programme for c in now.cycles if c.key_ms == first.cycle_key_ms), None)
    phase = words.phase_name(machine, programme, first.phase) if first.phase else None
    cycle = next((c for c in now.cycles if c.key_ms == first.cycle_key_ms), None)
    over = first.cleared_ms is not None or (cycle is not None and cycle.outcome != "running")
    title = alert_title(first.kind, words.part_name(machine, first.component), phase, over)
    where = numbers.get(first.cycle_key_ms) if first.cycle_key_ms is not None else None
    rest = f", and {len(alerts) - 1} more" if len(alerts) > 1 else ""
    count = "1 finding" if len(alerts) == 1 else f"{len(alerts)} findings"
    return f"{count}: {title}{f' in cycle {where}' if where else ''}{rest}."


def _figures(now: Progress) -> str:
    energies = [c.energy_kwh for c in now.cycles if c.energy_kwh is not None]
    if not energies:
        return "No energy recorded yet."
    pauses = [(b.start_ms - a.end_ms) / 1000 for a, b in zip(now.cycles, now.cycles[1:], strict=False)]
    longest = f" Longest pause between cycles: {words.duration(max(pauses))}." if pauses else ""
    spread = ""
    if len(energies) > 1:
        spread = f", {words.kwh(min(energies))} to {words.kwh(max(energies))} a cycle"
    return f"{words.kwh(sum(energies))} in all{spread}.{longest}"
