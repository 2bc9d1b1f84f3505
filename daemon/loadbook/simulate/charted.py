"""Expectations about phases and cycles: the controller's record against the chart, by the contract.

It knows what nobody at the meter knows, how long each phase truly was, and therefore asks when it can be known.
"""

from __future__ import annotations

import numpy as np

from loadbook.machine import PhaseChart
from loadbook.simulate import plates, standing
from loadbook.simulate.alike import (
    OWN_PIECE_S,
    alike_after,
    drawing,
    explained_until_s,
    fits,
    hidden_until_s,
    rivals_until_s,
)
from loadbook.simulate.expect import Expected, View
from loadbook.simulate.run import DT_S, Stay

EVIDENCE_S = 30.0
LATER_S = 60.0
STOPPED_S = 300.0
BREAK_S = 10.0


def expectations(view: View) -> list[Expected]:
    """Everything that follows from the phases as they were."""
    out: list[Expected] = []
    for number, stay in enumerate(view.stays):
        chart = view.chart(stay)
        out += _length(view, number, stay, chart)
        out += plates.expectations(view, number, stay, chart)
    out += _order(view)
    out += _stopped(view)
    out += _never_ending(view)
    out += standing.expectations(view)
    return out


def _length(view: View, number: int, stay: Stay, chart: PhaseChart) -> list[Expected]:
    lost_s = sum((b - a) * DT_S for a, b in view.recorded.run.lost if stay.start <= a < stay.end)
    end = stay.end
    later = [s for s in view.stays[number + 1 :] if s.cycle == stay.cycle]
    if not later:
        active = np.flatnonzero(view.recorded.part_w[:-1, stay.start : stay.end].sum(axis=0) > 1.0)
        end = stay.start + (int(active[-1]) + 1 if active.size else 0)
    start_s, seconds = stay.start * DT_S, (end - stay.start) * DT_S
    hidden_s = hidden_until_s(view, number)
    out: list[Expected] = []
    if seconds - lost_s > chart.max_s + 1:
        at = max(start_s, hidden_s) + chart.max_s
        if not later:  # measured to its last action: until it acts again nobody can tell that it has not ended
            after = active[active >= (at + lost_s) / DT_S - stay.start]
            at = max(at, start_s + int(after[0]) * DT_S - lost_s) if after.size else at
        known_s, explained_s = at + lost_s, explained_until_s(view, stay.cycle)
        names: tuple[str, ...] = (stay.id,)
        if explained_s > known_s + OWN_PIECE_S:
            # what comes next and looks alike may as well have begun: then it is open, and the last of them holds
            names, known_s = (stay.id, *(r.id for r in alike_after(view, stay))), explained_s
        out.append(
            Expected("phase_too_long", start_s, start_s + chart.max_s, known_s + EVIDENCE_S + view.slack_s,
                    phases=names, cycle=stay.cycle, may=at + lost_s + 1 > end * DT_S or known_s == float("inf"))
        )  # fmt: skip
    out += _quiet_stop(view, stay, chart, seconds)
    stopped = view.recorded.run.cycles[stay.cycle].outcome == "stopped_early" and not later
    if seconds < chart.min_s - 1 and not stopped and seconds > 0:
        at = end * DT_S
        rivals_s = rivals_until_s(view, stay.cycle)
        known_s = max(at, rivals_until_s(view, stay.cycle, with_a_fault=True), explained_until_s(view, stay.cycle))
        blurred = hidden_s > start_s or (bool(later) and fits(chart, drawing(view, later[0])))
        out.append(
            Expected("phase_too_short", at, max(at - 2, rivals_s - LATER_S), known_s + LATER_S + view.slack_s,
                    phases=(stay.id,), cycle=stay.cycle, may=blurred or known_s == float("inf"),
                    also=("component_missing",) if later and _gone_parts(view, stay, later[0]) else ())
        )  # fmt: skip
    return [one for one in out if one.provable_s < float("inf")]


def _gone_parts(view: View, stay: Stay, after: Stay) -> bool:
    """Whether the next phase looks like this one with a part gone: then the contract lets the part win."""
    here, there = view.chart(stay), view.chart(after)
    return {*there.on, *there.pulsing} < {*here.on, *here.pulsing}


def _quiet_stop(view: View, stay: Stay, chart: PhaseChart, seconds: float) -> list[Expected]:
    """A quiet phase that lasts on has also stopped early (contract: its ``max_s`` + 30 s)."""
    machine = view.recorded.run.model.machine
    if not machine.is_quiet(chart) or seconds < chart.max_s + EVIDENCE_S:
        return []
    start_s = stay.start * DT_S
    at_s = start_s + chart.max_s + EVIDENCE_S
    late_s = stay.end * DT_S + LATER_S
    return [Expected("stopped_early", start_s, at_s - 2, late_s, phases=(stay.id,), cycle=stay.cycle, may=True)]


def _order(view: View) -> list[Expected]:
    """Needed phases that did not come before a later one did, or came after it."""
    out: list[Expected] = []
    for number, _ in enumerate(view.recorded.run.cycles):
        stays = [s for s in view.stays if s.cycle == number]
        if not stays:
            continue
        rows = view.programme(stays[0]).phases
        place = {p.id: i for i, p in enumerate(rows)}
        came = {s.id for s in stays}
        rivals_s, explained_s = rivals_until_s(view, number), explained_until_s(view, number)
        known_s = max(rivals_until_s(view, number, with_a_fault=True), explained_s)
        highest = -1
        for k, stay in enumerate(stays):
            here = place[stay.id]
            at_s = stay.start * DT_S
            if here < highest:
                out.append(
                    Expected("phase_out_of_order", at_s, at_s,
                            max(stay.end * DT_S, explained_s) + LATER_S + view.slack_s, cycle=number,
                            phases=tuple(s.id for s in stays[max(k - 1, 0) : k + 1]), may=explained_s == float("inf"))
                )  # fmt: skip
            for row in rows[highest + 1 : here]:
                if row.optional:
                    continue
                same = (row.on, row.pulsing) == (view.chart(stay).on, view.chart(stay).pulsing)
                later = stays[min(k + 1, len(stays) - 1)]
                due_s = max(later.end * DT_S if same else at_s, known_s) + LATER_S + view.slack_s
                gone = {*view.chart(stay).on, *view.chart(stay).pulsing} < {*row.on, *row.pulsing}
                late = row.id in came  # it came after all: missing was true until then
                open_for_ever = known_s == float("inf")
                out.append(
                    Expected("phase_missing", at_s, max(at_s, rivals_s - LATER_S), due_s, phases=(row.id,),
                            cycle=number, may=late or open_for_ever, also=("component_missing",) if gone else ())
                )  # fmt: skip
            highest = max(highest, here)
    return [one for one in out if one.provable_s < float("inf")]


def _stopped(view: View) -> list[Expected]:
    out: list[Expected] = []
    run = view.recorded.run
    for number, played in enumerate(run.cycles):
        stays = [s for s in view.stays if s.cycle == number]
        if played.outcome != "stopped_early" or not stays:
            continue
        active = np.flatnonzero(view.recorded.part_w[:-1, played.start : played.end].sum(axis=0) > 1.0)
        stop_s = (played.start + (int(active[-1]) + 1 if active.size else 0)) * DT_S
        rows = view.programme(stays[0]).phases
        here = next(i for i, p in enumerate(rows) if p.id == stays[-1].id)
        machine = run.model.machine
        quiet = [rows[i] for i in (here, here + 1) if i < len(rows) and machine.is_quiet(rows[i])]
        wait_s = STOPPED_S if not quiet else quiet[-1].max_s + 30.0
        following = run.cycles[number + 1].start * DT_S if number + 1 < len(run.cycles) else run.n * DT_S
        if stop_s + wait_s + 30 > following:
            continue
        last = slice(played.end - 8, played.end)  # it gave up for want of a part: then the part may win
        wanting = (view.recorded.asked[:-1, last] > 0) & (view.recorded.part_w[:-1, last] < 1.0)
        gave_up = bool(wanting.all(axis=1).any())
        out.append(
            Expected("stopped_early", stop_s, stop_s + (BREAK_S if gave_up else wait_s - 2),
                    stop_s + wait_s + 30 + view.slack_s, cycle=number, also=("component_missing",) if gave_up else (),
                    phases=tuple(s.id for s in stays[-2:]) + tuple(r.id for r in rows[here + 1 : here + 2]))
        )  # fmt: skip
    return out


def _never_ending(view: View) -> list[Expected]:
    out: list[Expected] = []
    for number, played in enumerate(view.recorded.run.cycles):
        longest_s = view.recorded.run.model.machine.programme(played.programme).longest_s()
        if (played.end - played.start) * DT_S > longest_s + 1:
            at_s = played.start * DT_S + longest_s
            late_s = at_s + EVIDENCE_S + view.slack_s
            stopped = any(s.cycle == number and _quiet_stop(view, s, view.chart(s), (s.end - s.start) * DT_S)
                          for s in view.stays)  # fmt: skip
            out.append(Expected("never_ending", played.start * DT_S, at_s, late_s, cycle=number, may=stopped))
    return out
