"""Learning a chart end to end: cycles from logs, a chart from cycles, and the chart tried on what it was learned from.

A chart that finds fault with the good cycles it was made of is widened until it does not, or says why it cannot be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from loadbook.assessment import Found
from loadbook.assessor import Assessor
from loadbook.errors import InputError
from loadbook.events import Alert, Cycle
from loadbook.judge.limits import Limits
from loadbook.machine import Component, Machine, PhaseChart, Programme, Tolerance
from loadbook.reading import Series
from loadbook.recognise.learn import Learned, duration_class, learn, margins, usual_of
from loadbook.recognise.regimes import Good, good_cycles

TRIES = 8
WIDEN = 1.15
MOST_WIDE = 2.5
"""A phase is never allowed more than this times the longest that was seen: then it is not the limit that is wrong."""
ANOTHER_PART = 1.5
"""A part that seems to draw more than two and a half times its plate is not alone."""
ENOUGH_FOR_TOLERANCE = 3
NOT_THE_CHARTS = ("meter_silent", "supply_voltage", "supply_frequency", "supply_impedance", "power_lost",
                  "standby_high")  # fmt: skip
"""Alerts that no chart can raise or take away."""


@dataclass(slots=True)
class Result:
    """What was learned: the machine with its chart, and what to tell the person who asked."""

    machine: Machine
    programme: Programme
    durations_s: dict[str, list[float]]
    cycles: int
    refined: bool
    notes: list[str] = field(default_factory=list)
    drew: dict[str, set[str]] = field(default_factory=dict)
    """By phase, the parts that drew in it, if only for some seconds; a chart that is refined has none."""


def found_in(series: Series, machine: Machine | None, limits: Limits) -> Found:
    """Cycles and alerts of a whole log."""
    assessor, found = Assessor(machine, limits), Found()
    found.apply(assessor.feed_series(series))
    found.apply(assessor.finish())
    return found


def with_programme(machine: Machine, programme: Programme) -> Machine:
    """The machine with this programme in place of the one of its id, or after the others."""
    others = [programme if p.id == programme.id else p for p in machine.programmes]
    if all(p.id != programme.id for p in machine.programmes):
        others.append(programme)
    return machine.model_copy(update={"programmes": tuple(others)})


def learn_from(
    logs: Sequence[tuple[str, Series]], machine: Machine, programme_id: str, name: str | None, limits: Limits
) -> Result:
    """Learn or refine one programme from logs of known-good cycles. Raises InputError."""
    known = next((p for p in machine.programmes if p.id == programme_id), None)
    result = _refine(logs, machine, known, limits) if known is not None else None
    if result is None:
        plain = machine.model_copy(update={"programmes": ()})
        goods: list[Good] = []
        for source, series in logs:
            goods += good_cycles(series, found_in(series, plain, limits).cycles, plain, source)
        learned: Learned = learn(goods, machine, programme_id, name)
        result = Result(
            with_programme(machine, learned.programme),
            learned.programme,
            learned.durations_s,
            max(len(d) for d in learned.durations_s.values()),
            False,
            learned.notes,
            learned.drew,
        )
    _try_out(result, logs, limits)
    return result


def _refine(logs: Sequence[tuple[str, Series]], machine: Machine, known: Programme, limits: Limits) -> Result | None:
    """New times for a chart that is there, from cycles it follows; its parts stay as written."""
    alone = machine.model_copy(update={"programmes": (known,)})
    cycles: list[Cycle] = []
    for _, series in logs:
        cycles += [c for c in found_in(series, alone, limits).cycles if c.outcome == "completed" and c.programme]
    if not cycles:
        raise InputError(
            f"no complete cycle in these logs follows the chart {known.id!r}; "
            "give others, or another --programme to learn a new one"
        )
    seen: dict[str, list[float]] = {p.id: [] for p in known.phases}
    for cycle in cycles:
        for phase in cycle.phases:
            if phase.id in seen and phase.start_ms is not None and phase.end_ms is not None:
                seen[phase.id].append((phase.end_ms - phase.start_ms) / 1000)
    phases, notes = [], []
    for phase_chart in known.phases:
        durations = seen[phase_chart.id]
        update: dict[str, object] = {}
        if durations:
            update["min_s"], update["max_s"] = margins(durations, duration_class(machine, phase_chart.stage))
            update["usual_s"] = usual_of(durations)
        else:
            notes.append(f"{phase_chart.id}: not seen in these cycles; its times stay as they are")
        if len(durations) < len(cycles) and not phase_chart.optional:
            update["optional"] = True
            notes.append(f"{phase_chart.id}: seen in {len(durations)} of {len(cycles)} cycles, so it is optional")
        phases.append(phase_chart.model_copy(update=update))
    programme = known.model_copy(update={"phases": tuple(phases)})
    return Result(with_programme(machine, programme), programme, seen, len(cycles), True, notes)


def _try_out(result: Result, logs: Sequence[tuple[str, Series]], limits: Limits) -> None:
    """Judge the good cycles by the new chart; widen where it finds fault with them."""
    alerts: list[Alert] = []
    for attempt in range(TRIES):
        if attempt == TRIES // 2:
            result.drew = {}  # what goes on being judged on good cycles is allowed, seen or not
        alone = result.machine.model_copy(update={"programmes": (result.programme,)})
        alerts = []
        for _, series in logs:
            alerts += [a for a in found_in(series, alone, limits).alerts if a.kind not in NOT_THE_CHARTS]
        changed = False
        for alert in alerts:
            changed |= _widen(result, alert)
        if not changed:
            break
        result.machine = with_programme(result.machine, result.programme)
    for text in sorted({_complaint(a) for a in alerts}):
        result.notes.append(text)


def _complaint(alert: Alert) -> str:
    where = f" in {alert.phase}" if alert.phase else ""
    part = f" of {alert.component}" if alert.component else ""
    return f"still judged {alert.kind}{part}{where} on these cycles; look at the plate, or leave that cycle out"


def _widen(result: Result, alert: Alert) -> bool:
    """Take the ground from one alert on a good cycle; False where the chart cannot."""
    if alert.kind in ("power_low", "power_high") and alert.component is not None:
        return _tolerate(result, alert)
    place = next((i for i, p in enumerate(result.programme.phases) if p.id == alert.phase), None)
    if place is None:
        return False
    old = result.programme.phases[place]
    every = {c.id for c in result.machine.components}
    longest_s = max(result.durations_s.get(old.id, []), default=old.max_s)
    update = _update(old, alert, longest_s, result.drew.get(old.id, every))
    if not update:
        return False
    phases = list(result.programme.phases)
    phases[place] = old.model_copy(update=update)
    if all(p.optional for p in phases):
        return False
    result.programme = result.programme.model_copy(update={"phases": tuple(phases)})
    return True


def _update(old: PhaseChart, alert: Alert, longest_s: float, drew: set[str]) -> dict[str, object]:
    """What to change in a phase; nothing where the chart is not at fault. ``longest_s`` is the longest seen, ``drew``
    the parts that may have drawn in it."""
    part = alert.component
    if alert.kind in ("phase_too_long", "stopped_early"):
        wider = float(int(old.max_s * WIDEN) + 10)
        return {"max_s": wider} if wider <= MOST_WIDE * longest_s + 60 else {}
    if alert.kind == "phase_too_short" and old.min_s > 0:
        shortest = min(old.min_s, alert.measured or 0.0)
        return {"min_s": float(max(0, int(shortest / WIDEN) - 5))}
    if alert.kind == "phase_missing":
        return {} if old.optional else {"optional": True}
    if alert.kind == "component_missing" and part in old.on:
        return {"on": tuple(p for p in old.on if p != part), "pulsing": (*old.pulsing, part), "rest_s": old.max_s}
    if alert.kind == "component_missing" and part in old.pulsing and old.rest_s != old.max_s:
        return {"rest_s": old.max_s}
    if alert.kind == "component_unexpected" and part in drew and part not in old.pulsing:
        return {"pulsing": (*old.pulsing, part)}
    if alert.kind in ("power_low", "power_high") and old.power_w is not None:
        return {"power_w": None}
    return {}


def _add_part(result: Result, alert: Alert, watts: float) -> bool:
    """The part that comes nearest to ``watts`` may draw in that phase too."""
    place = next((i for i, p in enumerate(result.programme.phases) if p.id == alert.phase), None)
    if place is None:
        return False
    old = result.programme.phases[place]
    others = [p for p in result.machine.components if p.id not in (*old.on, *old.pulsing)]
    nearest = min(others, key=lambda p: max(p.rated_w, watts) / min(p.rated_w, watts), default=None)
    if nearest is None or max(nearest.rated_w, watts) > 3 * min(nearest.rated_w, watts):
        return False
    phases = list(result.programme.phases)
    phases[place] = old.model_copy(update={"pulsing": (*old.pulsing, nearest.id)})
    result.programme = result.programme.model_copy(update={"phases": tuple(phases)})
    return True


def _tolerate(result: Result, alert: Alert) -> bool:
    """Good cycles draw outside the plate's band: three of them may widen the part's tolerance; far above it, it is
    another part that draws."""
    machine = result.machine
    part = machine.component(alert.component or "")
    if alert.measured is None or part.nature == "resistive":
        return False
    share = alert.measured / part.rated_w - 1
    if share > ANOTHER_PART:
        return _add_part(result, alert, alert.measured)
    if result.cycles < ENOUGH_FOR_TOLERANCE:
        return False
    old = part.tolerance or Tolerance()
    new = (
        Tolerance(low=old.low, high=round(max(share * 1.15, 0.0) + 0.05, 2))
        if alert.kind == "power_high"
        else Tolerance(low=round(max(min(share * 1.15 - 0.05, 0.0), -1.0), 2), high=old.high)
    )
    if new == old:
        return False
    parts: list[Component] = [
        p.model_copy(update={"tolerance": new}) if p.id == part.id else p for p in machine.components
    ]
    result.machine = machine.model_copy(update={"components": tuple(parts)})
    said = f"{part.id}: good cycles draw "
    result.notes = [note for note in result.notes if not note.startswith(said)]
    result.notes.append(f"{said}{alert.measured:.0f} W, its plate says {part.rated_w:g} W; tolerance widened")
    return True
