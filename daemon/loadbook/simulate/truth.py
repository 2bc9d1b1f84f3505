"""What truly happened in a run, and what the contract says must have been said about it.

Phases and cycles come from the controller's own record; alerts from what was asked of each part against what it drew,
from the chart's limits and from what the meter saw. An expectation has the moment it began, the earliest moment at
which anything can prove it, and the latest at which it may be raised.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from loadbook.simulate import charted, seen
from loadbook.simulate.alike import rivals_until_s, same_look_until_s
from loadbook.simulate.expect import Expected, View
from loadbook.simulate.metering import Rows
from loadbook.simulate.run import DT_S, Recorded


@dataclass
class CycleTruth:
    programme: str | None
    start_s: float
    end_s: float
    outcome: str
    phases: list[tuple[str, str, float, float]] = field(default_factory=list)
    missing: list[tuple[str, str]] = field(default_factory=list)
    alike_s: dict[str, float] = field(default_factory=dict)
    """By phase: until when it may as well be the one before, which looks the same."""


@dataclass
class Truth:
    cycles: list[CycleTruth]
    switches: list[tuple[float, float]]
    """(second, watts of change) of every step of 5 W and 4 % or more."""
    expected: list[Expected]


def truth_of(
    recorded: Recorded,
    rows: Rows,
    needed: Callable[[list[Expected]], list[Expected]] | None = None,
    until_s: float = float("inf"),
) -> Truth:
    """The truth of a run read out as ``rows``, of which the log has those before ``until_s``. ``needed`` says which
    expectations the scenario is about; what else follows from it may be said or not (default: all are needed)."""
    step_s = float(np.median(np.diff(rows.true_s))) if rows.true_s.size > 1 else 1.0
    view = View(recorded, rows, "voltage_v" in rows.columns, 2 * step_s + 1.0)
    cycles = cycles_of(view)
    expected = charted.expectations(view) + seen.expectations(view, [(c.start_s, c.end_s) for c in cycles])
    expected = [e for e in expected if e.provable_s < until_s]
    cycles = [_cut(view, number, c, until_s) for number, c in enumerate(cycles) if c.start_s < until_s]
    firm = [e for e in expected if not e.may and e.due_s < until_s]
    for one in firm if needed is None else needed(firm):
        one.needed = True
        same = [e for e in expected if e.kind == one.kind and e.cycle == one.cycle and one.cycle is not None]
        named = [e for e in same if set(e.components) & set(one.components)]  # said earlier, it is no less true
        one.provable_s = min([one.provable_s, *(e.provable_s for e in named)])
    return Truth(cycles, [s for s in switches_of(recorded) if s[0] < until_s], expected)


def cycles_of(view: View) -> list[CycleTruth]:
    """Cycles from the first action of the first charted phase to the last action of the last."""
    out: list[CycleTruth] = []
    drawn = view.recorded.part_w[:-1].sum(axis=0) > 1.0
    for number, played in enumerate(view.recorded.run.cycles):
        stays = [s for s in view.stays if s.cycle == number]
        alike = {s.id: same_look_until_s(view, k) for k, s in enumerate(view.stays) if s.cycle == number}
        active = np.flatnonzero(drawn[played.start : played.end])
        last = played.start + (int(active[-1]) + 1 if active.size else 0)
        cycle = CycleTruth(played.programme, played.start * DT_S, last * DT_S, played.outcome)
        cycle.alike_s = {i: until_s for i, until_s in alike.items() if until_s}
        for stay in stays:
            end = min(stay.end, last)
            if end > stay.start:
                cycle.phases.append((stay.id, stay.stage, stay.start * DT_S, end * DT_S))
        came = {s.id for s in stays}
        chart = view.recorded.run.model.machine.programme(played.programme)
        cycle.missing = [(p.id, p.stage) for p in chart.phases if not p.optional and p.id not in came]
        out.append(cycle)
    return out


def _cut(view: View, number: int, cycle: CycleTruth, until_s: float) -> CycleTruth:
    """A cycle of which the log has only the beginning runs still, and its programme may be open."""
    if cycle.end_s <= until_s:
        return cycle
    phases = [(i, st, a, min(b, until_s)) for i, st, a, b in cycle.phases if a < until_s]
    programme = cycle.programme if rivals_until_s(view, number) <= until_s else None
    return CycleTruth(programme, cycle.start_s, until_s, "running", phases, alike_s=cycle.alike_s)


def switches_of(recorded: Recorded) -> list[tuple[float, float]]:
    """Every step of the true power: means of one second before and after differ by more than 5 W and 4 %."""
    power = recorded.part_w.sum(axis=0)
    asked = recorded.part_w[:-1] > 1.0
    change = np.flatnonzero(np.any(asked[:, 1:] != asked[:, :-1], axis=0)) + 1
    out: list[tuple[float, float]] = []
    for at in change.tolist():
        before, after = float(power[max(at - 8, 0) : max(at - 1, 1)].mean()), float(power[at + 5 : at + 12].mean())
        if abs(after - before) > max(5.0, 0.04 * max(before, after)):
            out.append((at * DT_S, after - before))
    return out


def as_json(truth: Truth, iso: Callable[[float], str], **about: Any) -> dict[str, Any]:
    """The truth file: like the contract's output, with the moments expected. ``iso`` writes a second as a time."""
    return {
        **about,
        "cycles": [
            {
                "start": iso(c.start_s), "end": iso(c.end_s), "programme": c.programme, "outcome": c.outcome,
                "phases": [
                    {"id": i, "stage": st, "start": iso(a), "end": iso(b)}
                    | ({"may_start_until": iso(c.alike_s[i])} if i in c.alike_s else {})
                    for i, st, a, b in c.phases
                ],
                "missing": [i for i, _ in c.missing],
            }
            for c in truth.cycles
        ],
        "alerts": [
            {
                "kind": e.kind, "also": list(e.also), "cycle": e.cycle, "phases": list(e.phases),
                "components": list(e.components), "began_at": iso(e.began_s), "provable_at": iso(e.provable_s),
                "due_at": iso(e.due_s), "needed": e.needed,
            }
            for e in sorted(truth.expected, key=lambda e: (e.provable_s, e.kind))
        ],
        "switches": [{"at": iso(t), "watts": round(w, 1)} for t, w in truth.switches],
    }  # fmt: skip
