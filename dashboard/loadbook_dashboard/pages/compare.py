"""Two cycles of one machine laid over each other, phase by phase; what differs, in words and figures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from flask import Blueprint, abort, render_template, request
from loadbook.events import Cycle
from loadbook.reading import HOLD_MS, Series
from loadbook.recognise.compare import Comparison, Measuring, PhaseCompared, compare, measuring

from loadbook_dashboard import words
from loadbook_dashboard.api import FAR_MS, machine_or_404, whole
from loadbook_dashboard.parts import parts
from loadbook_dashboard.queries import MachineRow

blueprint = Blueprint("compare", __name__)

CHOICE = 40
"""So many cycles to choose from, newest first."""
ENOUGH = 0.9
AROUND_MS = 60_000
"""Readings from a little before to a little after a cycle."""

SAID: dict[str, tuple[str, str, str]] = {
    "time_s": ("took", "longer", "shorter"),
    "energy_kwh": ("used", "more", "less"),
    "power_w": ("drew", "more", "less"),
    "resistance_ohm": ("had a heater of", "more", "less"),
}
"""Quantity -> verb, and the words for greater and smaller."""


@dataclass(slots=True)
class Row:
    """A phase on both sides, in words."""

    name: str
    stage: str
    compared: PhaseCompared


def figure(quantity: str, value: float) -> str:
    """A compared figure with its unit."""
    match quantity:
        case "time_s":
            return words.duration(value)
        case "energy_kwh":
            return words.kwh(value)
        case "power_w":
            return words.watts(value)
        case _:
            return words.with_unit(value, "Ω", 1)


def difference(name: str, row: PhaseCompared) -> list[str]:
    """What differs beyond the normal spread, a sentence each."""
    found = []
    for quantity in row.differs:
        if quantity == "presence":
            found.append(f"{name} is only in the {'first' if row.a_cycles else 'second'} cycle.")
            continue
        before, after = row.a[quantity].value, row.b[quantity].value
        verb, greater, smaller = SAID[quantity]
        share = f"{abs(after / before - 1) * 100:.0f}{words.NARROW}% " if before else ""
        which = greater if after > before else smaller
        found.append(
            f"{name} {verb} {figure(quantity, after)}, in the first {figure(quantity, before)}: {share}{which}."
        )
    return found


def pairs(a: Cycle, b: Cycle) -> list[tuple[int, int, int, int]]:
    """(from, to) of a phase in the first cycle and (from, to) of its match in the second, ms: by the chart's ids, or
    by stage and how often it had come."""
    left, right = _spans(a), _spans(b)
    found, last = [], 0
    for key, (start_ms, end_ms) in left.items():
        if key in right and right[key][0] >= last:
            found.append((start_ms, end_ms, *right[key]))
            last = right[key][1]
    return found


def _spans(cycle: Cycle) -> dict[str, tuple[int, int]]:
    spans: dict[str, tuple[int, int]] = {}
    counts: dict[str, int] = {}
    for phase in cycle.phases:
        if phase.start_ms is None or phase.end_ms is None:
            continue
        counts[phase.stage] = counts.get(phase.stage, 0) + 1
        spans[phase.id or f"{phase.stage}-{counts[phase.stage]}"] = (phase.start_ms, phase.end_ms)
    return spans


def covers(series: Series, cycle: Cycle) -> bool:
    """Whether nearly all of a cycle was read at full rate: levels are not told from less."""
    inside = series.at_ms[(series.at_ms >= cycle.start_ms) & (series.at_ms <= cycle.end_ms)]
    if len(inside) < 2:
        return False
    held_ms = int(np.minimum(np.diff(inside), HOLD_MS).sum())
    return held_ms >= ENOUGH * (cycle.end_ms - cycle.start_ms)


def _compared(machine: MachineRow, a: Cycle, b: Cycle) -> Comparison | None:
    if machine.meter is None:
        return None
    sides = []
    with parts().readings() as reader:
        for cycle in (a, b):
            series = reader.series(machine.meter, cycle.start_ms - AROUND_MS, cycle.end_ms + AROUND_MS)
            complete = covers(series, cycle)
            sides.append(measuring(cycle, series) if complete else Measuring(cycle, []))
    return compare(sides[:1], sides[1:])


def _chosen(machine: str, name: str) -> Cycle | None:
    text = request.args.get(name, "")
    if not text:
        return None
    cycle = parts().queries.cycle(machine, whole(name, 0, 0, FAR_MS))
    if cycle is None:
        abort(404)
    return cycle


@blueprint.get("/machines/<machine>/compare")
def page(machine: str) -> str:
    """Two cycles: ``a`` and ``b`` are their keys; without them the last two of one programme."""
    row = machine_or_404(machine)
    choice = [r for r in parts().queries.cycles(machine, FAR_MS, CHOICE) if r.cycle.outcome == "completed"]
    b = _chosen(machine, "b") or (parts().queries.cycle(machine, choice[0].cycle.key_ms) if choice else None)
    a = _chosen(machine, "a")
    if a is None and b is not None:
        same = [r.cycle for r in choice if r.cycle.programme == b.programme and r.cycle.key_ms < b.key_ms]
        a = parts().queries.cycle(machine, same[0].key_ms) if same else None
    comparison = _compared(row, a, b) if a is not None and b is not None else None
    rows: list[Row] = []
    said: list[str] = []
    if comparison is not None and a is not None:
        for compared in comparison.phases:
            known = any(p.id == compared.id for p in a.phases)
            name = words.phase_name(row.chart, a.programme, compared.id if known else None, compared.stage)
            rows.append(Row(name, compared.stage, compared))
        said = difference("The whole cycle", comparison.whole)
        for one in rows:
            said += difference(one.name, one.compared)
    return render_template(
        "compare.html",
        m=row,
        a=a,
        b=b,
        choice=choice,
        table=[("Whole cycle", "", comparison.whole), *((r.name, r.stage, r.compared) for r in rows)]
        if comparison
        else [],
        said=said,
        figure=figure,
        pairs=pairs(a, b) if a is not None and b is not None else [],
        other_programme=a is not None and b is not None and a.programme != b.programme,
    )
