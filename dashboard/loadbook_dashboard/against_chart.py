"""A cycle held against its chart and its machine's rating plates: what differs in sentences, the parts in figures.

Pure. The judging is done by the recorder; this says it, phase by phase and part by part.
"""

from __future__ import annotations

from dataclasses import dataclass

from loadbook.events import Cycle
from loadbook.judge.bands import component_band

from loadbook_dashboard import words
from loadbook_dashboard.queries import MachineRow
from loadbook_dashboard.timeline import LaidPhase


@dataclass(frozen=True, slots=True)
class PartLine:
    """One part in one phase: what it drew, brought to its rated voltage where that is known, and its band there."""

    part: str
    phase: str
    power_w: float
    at_rated_w: float | None
    rated_v: float
    low_w: float | None
    high_w: float
    resistance_ohm: float | None
    seconds: float


def differences(phases: list[LaidPhase]) -> list[str]:
    """What of a cycle is not as its chart has it, a sentence a phase; none where all is."""
    found = []
    for phase in phases:
        window = f"{words.exact_duration(phase.min_s)} to {words.exact_duration(phase.max_s)}" if phase.max_s else ""
        took = words.exact_duration(phase.length_s)
        match phase.verdict:
            case "too_long" | "too_short":
                found.append(f"{phase.name} took {took}; its chart allows {window}.")
            case "missing":
                found.append(f"{phase.name} did not come; its chart needs it, for {window}.")
            case "low" | "high":
                more = "too little" if phase.verdict == "low" else "too much"
                found.append(f"{phase.name} drew {more}: {words.watts(phase.power_w)} on average.")
            case "unexpected":
                found.append(f"{phase.name} is not in the chart here, or something drew in it that it does not have.")
    return found


def part_lines(machine: MachineRow, cycle: Cycle) -> list[PartLine]:
    """What each part was measured to draw, in the order of the phases; none without a machine file."""
    if machine.chart is None:
        return []
    known = {part.id: part for part in machine.chart.components}
    lines = []
    for row in cycle.parts:
        part = known.get(row.component)
        if part is None:
            continue
        band = component_band(part)
        lines.append(
            PartLine(
                part=words.part_name(machine.chart, part.id) or part.id,
                phase=words.phase_name(machine.chart, cycle.programme, row.phase),
                power_w=row.power_w,
                at_rated_w=row.at_rated_w,
                rated_v=machine.chart.rated_voltage_v(part),
                low_w=band.low,
                high_w=band.high,
                resistance_ohm=row.resistance_ohm,
                seconds=row.seconds,
            )
        )
    return lines
