"""What may be said of a machine that stands still in a cycle: it has stopped, and what should draw does not.

Whatever the reason, the contract lets all of these be said: nothing tells them apart at the meter.
"""

from __future__ import annotations

from typing import Any

from loadbook.simulate.bands import standby_limit_w
from loadbook.simulate.expect import Expected, View
from loadbook.simulate.run import DT_S
from loadbook.simulate.spells import spells

STOPPED_S = 300.0
REST_S = 60.0
"""Longer than any rest of a healthy drum."""
RESUME_S = 1800.0


def expectations(view: View) -> list[Expected]:
    """May be said, none of it needed: for each long rest at standby in phases that are not quiet, and for a stop."""
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
            if not here or (ends - begins) * DT_S < REST_S or all(machine.is_quiet(view.chart(s)) for s in here):
                continue
            out += _said(view, number, [s.id for s in here], begins * DT_S, ends * DT_S)
    return out


def _said(view: View, number: int, phases: list[str], begins_s: float, ends_s: float) -> list[Expected]:
    rows = view.programme(next(s for s in view.stays if s.cycle == number)).phases
    first = min(i for i, p in enumerate(rows) if p.id in phases)
    near = rows[max(first - 1, 0) : first + len(phases) + 2]
    names = tuple(dict.fromkeys(part for p in near for part in (*p.on, *p.pulsing)))
    common: dict[str, Any] = {"phases": tuple(p.id for p in near), "cycle": number, "may": True}
    late_s, longest_s = ends_s + 120.0, max(p.max_s for p in near)
    out = [
        Expected("component_missing", begins_s, begins_s + 5, late_s, components=names, **common),
        Expected("phase_too_long", begins_s, begins_s, late_s + longest_s, **common),
    ]
    if ends_s - begins_s >= STOPPED_S:
        out.append(Expected("stopped_early", begins_s, begins_s + STOPPED_S - 2, late_s, **common))
    return out
