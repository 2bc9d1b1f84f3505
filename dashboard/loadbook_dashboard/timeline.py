"""What is laid along a trace: the phases with their expected windows, and the alerts pinned where they began.

Pure: takes cycles, alerts and the machine's chart, gives plain objects that pages and the chart's script both read.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from typing import Any

from loadbook.alert_kinds import alert_kind, alert_title
from loadbook.events import Cycle, Phase
from loadbook.judge.expected import Band, Draw
from loadbook.machine import PhaseChart

from loadbook_dashboard import expectation, words
from loadbook_dashboard.expectation import Supply
from loadbook_dashboard.queries import KnownAlert, MachineRow


@dataclass(slots=True)
class LaidPhase:
    """A phase as it is drawn: measured beside expected. ``end_ms`` of the phase that runs is None."""

    number: int
    id: str | None
    name: str
    stage: str
    start_ms: int | None
    end_ms: int | None
    length_s: float | None
    min_s: float | None
    max_s: float | None
    optional: bool
    power_w: float | None
    energy_kwh: float | None
    on: list[str]
    verdict: str
    cycle_key_ms: int
    cost: str | None = None
    """Decimal text in the cycle's currency."""
    to_come: bool = False
    levels: list[Draw] = field(default_factory=list)
    """What its chart and the rating plates let it draw, at any supply."""
    expected_w: list[Band] = field(default_factory=list)
    """The same in watts at the supply it had."""
    volts: float | None = None

    @property
    def running(self) -> bool:
        return self.start_ms is not None and self.end_ms is None


@dataclass(slots=True)
class Pin:
    """An alert where it began."""

    letter: str
    id: int
    title: str
    priority: str
    at_ms: int
    end_ms: int | None


def chart_of(machine: MachineRow, cycle: Cycle) -> dict[str, PhaseChart]:
    """The chart's phases of a cycle's programme by their id; empty where there is none."""
    if machine.chart is None or cycle.programme is None:
        return {}
    for programme in machine.chart.programmes:
        if programme.id == cycle.programme:
            return {phase.id: phase for phase in programme.phases}
    return {}


def lay(machine: MachineRow, cycle: Cycle, supply: Supply | None = None) -> list[LaidPhase]:
    """The phases of a cycle in order, numbered from 1; what they should draw at ``supply``, or at any where None."""
    chart = chart_of(machine, cycle)
    seen = [index for index, phase in enumerate(cycle.phases) if phase.start_ms is not None]
    running = seen[-1] if seen and cycle.outcome == "running" else None
    laid = [
        _laid(machine, cycle, i, p, chart.get(p.id or ""), running=i == running) for i, p in enumerate(cycle.phases)
    ]
    if running is not None:
        laid += _to_come(machine, cycle, chart, len(laid))
    for phase in laid:
        phase.levels = expectation.levels_of(machine.chart, chart.get(phase.id or ""))
        if supply is not None and phase.levels:
            end_ms = phase.end_ms if phase.end_ms is not None else cycle.end_ms
            phase.volts = supply.mean_v(phase.start_ms, end_ms) or supply.mean_v(None, None)
        phase.expected_w = expectation.expected(phase.levels, phase.volts)
    return laid


def _to_come(machine: MachineRow, cycle: Cycle, chart: dict[str, PhaseChart], number: int) -> list[LaidPhase]:
    """The chart's phases after the one that runs."""
    last = next((p.id for p in reversed(cycle.phases) if p.start_ms is not None), None)
    rest = list(chart.values())
    if last not in chart:
        return []
    rest = rest[[row.id for row in rest].index(last) + 1 :]
    phases = [Phase(row.id, row.stage, None, None) for row in rest]
    found = [_laid(machine, cycle, number + i, phase, chart.get(phase.id or "")) for i, phase in enumerate(phases)]
    for phase in found:
        phase.to_come = True
    return found


def _laid(
    machine: MachineRow, cycle: Cycle, index: int, phase: Phase, row: PhaseChart | None, *, running: bool = False
) -> LaidPhase:
    end_ms = None if running else phase.end_ms
    until_ms = cycle.end_ms if running else phase.end_ms
    length_s = None
    if phase.start_ms is not None and until_ms is not None:
        length_s = max(0, until_ms - phase.start_ms) / 1000
    return LaidPhase(
        number=index + 1,
        id=phase.id,
        name=words.phase_name(machine.chart, cycle.programme, phase.id, phase.stage),
        stage=phase.stage,
        start_ms=phase.start_ms,
        end_ms=end_ms,
        length_s=length_s,
        min_s=row.min_s if row else None,
        max_s=row.max_s if row else None,
        optional=row.optional if row else False,
        power_w=phase.power_w,
        energy_kwh=phase.energy_kwh,
        on=[words.part_name(machine.chart, part) or part for part in phase.on],
        verdict=phase.verdict,
        cycle_key_ms=cycle.key_ms,
        cost=phase.cost,
    )


def letter(index: int) -> str:
    """A, B … Z, AA, AB …: names a pin beside its alert."""
    text = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        text = chr(65 + rest) + text
    return text


def title_of(machine: MachineRow, known: KnownAlert) -> str:
    """An alert's headline, with the names from the machine file."""
    alert = known.alert
    phase = words.phase_name(machine.chart, known.programme, alert.phase) if alert.phase else None
    return alert_title(alert.kind, words.part_name(machine.chart, alert.component), phase, not known.active)


def pins(machine: MachineRow, alerts: list[KnownAlert]) -> list[Pin]:
    """The pins of alerts in the order they were raised."""
    return [
        Pin(
            letter=letter(index),
            id=known.id,
            title=title_of(machine, known),
            priority=alert_kind(known.alert.kind).priority,
            at_ms=known.alert.began_ms,
            end_ms=known.alert.cleared_ms,
        )
        for index, known in enumerate(alerts)
    ]


def cycles_as_json(machine: MachineRow, cycles: list[Cycle], alerts: list[KnownAlert]) -> dict[str, Any]:
    """Whole cycles, a band each, for stretches of time in which a phase would be too narrow to see."""
    bands = [
        {
            "number": index + 1,
            "name": words.programme_name(machine.chart, cycle.programme) or "Cycle",
            "stage": "wash",
            "start_ms": cycle.start_ms,
            "end_ms": None if cycle.outcome == "running" else cycle.end_ms,
            "min_s": None,
            "max_s": None,
            "verdict": "ok",
        }
        for index, cycle in enumerate(cycles)
    ]
    return {"phases": bands, "pins": [asdict(pin) for pin in pins(machine, alerts)]}


def _phase_json(phase: LaidPhase) -> dict[str, Any]:
    """A phase for the chart's script, which works out the watts itself, at the supply of each moment."""
    told = asdict(replace(phase, levels=[], expected_w=[]))
    del told["volts"], told["expected_w"]
    return {**told, "levels": expectation.as_json(phase.levels)}


def as_json(machine: MachineRow, cycles: list[Cycle], alerts: list[KnownAlert]) -> dict[str, Any]:
    """Phases and pins for the chart's script."""
    return {
        "phases": [_phase_json(p) for cycle in cycles for p in lay(machine, cycle) if p.start_ms is not None],
        "pins": [asdict(pin) for pin in pins(machine, alerts)],
    }
