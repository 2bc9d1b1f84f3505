"""What may be said of a machine that stands still in a cycle: it has stopped, and what should draw does not.

Whatever the reason, these are true at the meter: a part that is on for all of its phase has broken off for more than
10 s, a pulsing one has rested 45 s, the phase has run beyond its ``max_s``, all is at standby for five minutes.
"""

from __future__ import annotations

from typing import Any

from loadbook.machine import PhaseChart
from loadbook.simulate.alike import next_rows
from loadbook.simulate.bands import standby_limit_w
from loadbook.simulate.expect import Expected, View
from loadbook.simulate.run import DT_S, Stay
from loadbook.simulate.spells import spells

STOPPED_S = 300.0
BREAK_S = 10.0
REST_S = 45.0
RESUME_S = 1800.0


def expectations(view: View) -> list[Expected]:
    """For each long rest at standby in phases that are not quiet, and for a stop: what may be said, and what must."""
    out: list[Expected] = []
    run = view.recorded.run
    machine = run.model.machine
    still = view.recorded.part_w.sum(axis=0) <= standby_limit_w(run.model.plate.standby_w)
    for number, played in enumerate(run.cycles):
        stays = [s for s in view.stays if s.cycle == number]
        following = run.cycles[number + 1].start if number + 1 < len(run.cycles) else run.n
        stopped = played.outcome == "stopped_early"
        last = min(following, played.end + round(RESUME_S / DT_S)) if stopped else played.end
        for first, end in spells(still[played.start : last], 2.0):
            begins, ends = played.start + first, played.start + end
            here = [s for s in stays if s.start < ends and (s.end > begins or s is stays[-1])]
            if not here or all(machine.is_quiet(view.chart(s)) for s in here):
                continue
            least_s = min(_least_s(view.chart(s)) for s in here)
            if (ends - begins) * DT_S > least_s:
                out += _said(view, number, here, begins * DT_S, ends * DT_S)
            if ends < played.end:
                out += _paused(view, here, begins, ends)
    return out


def _paused(view: View, here: list[Stay], begins: int, ends: int) -> list[Expected]:
    """Nothing was asked for: it stands still for five minutes where neither this phase nor the next is quiet."""
    run = view.recorded.run
    machine = run.model.machine
    rows = [view.chart(s) for s in here] + list(next_rows(view, here[-1]))[:1]
    lost = any(a < ends and b > begins for a, b in run.lost)
    idle = not view.recorded.asked[:-1, begins:ends].any()
    if lost or not idle or any(machine.is_quiet(r) for r in rows) or (ends - begins) * DT_S < STOPPED_S + 40:
        return []
    began_s = begins * DT_S
    return [
        Expected("stopped_early", began_s, began_s + STOPPED_S - 2, began_s + STOPPED_S + 30 + view.slack_s,
                phases=tuple(r.id for r in rows), cycle=here[0].cycle)
    ]  # fmt: skip


def _least_s(chart: PhaseChart) -> float:
    if chart.on:
        return BREAK_S
    return REST_S if chart.stage in ("wash", "rinse", "heat") else STOPPED_S


def _said(view: View, number: int, here: list[Stay], begins_s: float, ends_s: float) -> list[Expected]:
    rows = view.programme(here[0]).phases
    ids = [s.id for s in here]
    first = min(i for i, p in enumerate(rows) if p.id in ids)
    near = rows[max(first - 1, 0) : first + len(ids) + 2]
    names = tuple(dict.fromkeys(part for p in near for part in (*p.on, *p.pulsing)))
    common: dict[str, Any] = {"phases": tuple(p.id for p in near), "cycle": number, "may": True}
    late_s = ends_s + 120.0
    out = [Expected("component_missing", begins_s, begins_s + BREAK_S, late_s, components=names, **common)]
    before = [s for s in view.stays if s.cycle == number and s.end <= here[0].start][-1:]
    held = [s for s in before if not view.chart(s).on]  # what only pulses may rest: it may seem to go on
    over_s = [s.start * DT_S + view.chart(s).max_s for s in (*held, *here)]
    if over_s and min(over_s) < ends_s:
        out.append(Expected("phase_too_long", begins_s, min(over_s), late_s, **common))
    if ends_s - begins_s >= STOPPED_S:
        out.append(Expected("stopped_early", begins_s, begins_s + STOPPED_S - 2, late_s, **common))
    return out
