"""Expectations from the controller's record: what each phase's chart and each part's plate say, by the contract.

It knows what nobody at the meter knows: what was asked of a part, what that part drew, how long each phase truly was.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from loadbook.machine import PhaseChart
from loadbook.simulate import standing
from loadbook.simulate.bands import MISSING_SHARE, band_w
from loadbook.simulate.expect import Expected, View
from loadbook.simulate.run import DT_S, Stay
from loadbook.simulate.spells import spells

INRUSH_S = 3.0
HEATER_SETTLES_S = 20.0
EVIDENCE_S = 30.0
LATER_S = 60.0


def expectations(view: View) -> list[Expected]:
    """Everything that follows from the phases as they were."""
    out: list[Expected] = []
    for number, stay in enumerate(view.stays):
        chart = view.chart(stay)
        out += _length(view, number, stay, chart)
        out += _parts(view, number, stay, chart)
        out += _pulsing_stops(view, number, stay, chart)
        out += _band(view, stay, chart)
    out += _order(view)
    out += _stopped(view)
    out += _never_ending(view)
    out += standing.expectations(view)
    return out


def _drawing(view: View, stay: Stay) -> set[str]:
    """Parts that truly draw in most of a stay."""
    parts = view.recorded.run.parts[:-1]
    seen = view.recorded.part_w[:-1, stay.start : max(stay.end, stay.start + 1)] > 2.0
    return {p for p, share in zip(parts, seen.mean(axis=1), strict=True) if share > 0.2}


def _hidden_until_s(view: View, number: int, drawing: set[str]) -> float:
    """A stay that looks like the one before holds as that one until its ``max_s`` (contract, section 2)."""
    if number == 0 or view.stays[number - 1].cycle != view.stays[number].cycle:
        return 0.0
    before = view.stays[number - 1]
    chart = view.chart(before)
    if set(chart.on) <= drawing <= set(chart.on) | set(chart.pulsing):
        return before.start * DT_S + chart.max_s
    return 0.0


def _neighbours(view: View, number: int) -> tuple[str, ...]:
    stay = view.stays[number]
    near = [s.id for s in view.stays[max(number - 1, 0) : number + 2] if s.cycle == stay.cycle]
    return tuple(dict.fromkeys([stay.id, *near]))


def _length(view: View, number: int, stay: Stay, chart: PhaseChart) -> list[Expected]:
    lost_s = sum((b - a) * DT_S for a, b in view.recorded.run.lost if stay.start <= a < stay.end)
    end = stay.end
    later = [s for s in view.stays[number + 1 :] if s.cycle == stay.cycle]
    if not later:
        active = np.flatnonzero(view.recorded.part_w[:-1, stay.start : stay.end].sum(axis=0) > 1.0)
        end = stay.start + (int(active[-1]) + 1 if active.size else 0)
    start_s, seconds = stay.start * DT_S, (end - stay.start) * DT_S
    out: list[Expected] = []
    if seconds - lost_s > chart.max_s + 1:
        at = start_s + chart.max_s
        out.append(
            Expected("phase_too_long", start_s, at, at + lost_s + EVIDENCE_S + view.slack_s,
                    phases=(stay.id,), cycle=stay.cycle)
        )  # fmt: skip
    out += _quiet_stop(view, stay, chart, seconds)
    stopped = view.recorded.run.cycles[stay.cycle].outcome == "stopped_early" and not later
    if seconds < chart.min_s - 1 and not stopped and seconds > 0:
        at = end * DT_S
        out.append(
            Expected(
                "phase_too_short",
                at,
                at - 2,
                at + LATER_S + view.slack_s,
                phases=(stay.id,),
                cycle=stay.cycle,
                also=("component_missing",) if later and _gone_parts(view, stay, later[0]) else (),
            )
        )  # fmt: skip
    return out


def _gone_parts(view: View, stay: Stay, after: Stay) -> bool:
    """Whether the next phase looks like this one with a part gone."""
    here, there = view.chart(stay), view.chart(after)
    return {*there.on, *there.pulsing} < {*here.on, *here.pulsing}


def _quiet_stop(view: View, stay: Stay, chart: PhaseChart, seconds: float) -> list[Expected]:
    """A quiet phase that lasts on has also stopped early (contract: its ``max_s`` + 30 s)."""
    machine = view.recorded.run.model.machine
    if not machine.is_quiet(chart) or seconds < chart.max_s + EVIDENCE_S:
        return []
    at_s = stay.start * DT_S + chart.max_s
    late_s = stay.end * DT_S + LATER_S
    kinds = ("stopped_early", "component_missing", "standby_high")
    return [Expected(kind, stay.start * DT_S, at_s, late_s, cycle=stay.cycle) for kind in kinds]


def _parts(view: View, number: int, stay: Stay, chart: PhaseChart) -> list[Expected]:
    run, machine = view.recorded.run, view.recorded.run.model.machine
    out: list[Expected] = []
    part_slice = slice(stay.start, stay.end)
    for component in machine.components:
        row = run.index[component.id]
        asked = view.recorded.asked[row, part_slice]
        drawn = view.recorded.part_w[row, part_slice]
        listed = component.id in chart.on or component.id in chart.pulsing
        if listed and asked.any():
            for first, last in spells(asked > 0):
                out += _spell(view, number, component.id, first, last)
        if not listed:
            floor = max(5.0, 0.04 * float(view.recorded.part_w[:-1, part_slice].sum(axis=0).max(initial=0.0)))
            for first, last in spells(drawn > floor, 1.0):
                if (last - first) * DT_S < EVIDENCE_S + 2 or _explained(view, stay, chart, first, last):
                    continue
                began_s = (stay.start + first) * DT_S
                hidden_s = _hidden_until_s(view, number, _drawing(view, stay)) if first == 0 else 0.0
                if hidden_s > (stay.start + last) * DT_S:
                    continue
                out.append(
                    Expected("component_unexpected", began_s, began_s + 1,
                            max(began_s, hidden_s) + EVIDENCE_S + view.slack_s + 5,
                            phases=_neighbours(view, number), components=(component.id,), cycle=stay.cycle,
                            also=("phase_too_long",) if hidden_s else ())
                )  # fmt: skip
    return out


def _as_if_short(view: View, number: int, chart: PhaseChart, name: str) -> tuple[str, ...]:
    """A part that dies in a phase looks, for a while, as if the phase had ended early, where the next one is the same
    without that part; either may be said."""
    after = [s for s in view.stays[number + 1 : number + 2] if s.cycle == view.stays[number].cycle]
    rest = {*chart.on, *chart.pulsing} - {name}
    return ("phase_too_short",) if any({*view.chart(s).on, *view.chart(s).pulsing} == rest for s in after) else ()


def _shows_at(view: View, stay: Stay, chart: PhaseChart, first: int, last: int) -> int | None:
    """Steps into a spell until the others' watts no longer pass for all that should draw; None where they always do."""
    piece = round(10.0 / DT_S)
    for at in range(first, last - piece + 1, piece // 2):
        if not _explained(view, stay, chart, at, at + piece):
            return at - first
    return None


def _explained(view: View, stay: Stay, chart: PhaseChart, first: int, last: int) -> bool:
    """Whether parts that belong in the phase could draw what is seen, each within its band: then it is nobody's fault
    (contract, section 4). Looked at while what pulses rests, for that is when a stranger shows."""
    run, machine = view.recorded.run, view.recorded.run.model.machine
    inside = slice(stay.start + first, stay.start + last)
    rest = np.ones(last - first, dtype=bool)
    for name in chart.pulsing:
        rest &= view.recorded.asked[run.index[name], inside] == 0
    if rest.mean() < 0.1:
        rest[:] = True
    seen_w = float(np.median(view.recorded.part_w[:-1, inside].sum(axis=0)[rest]))
    volts = float(view.recorded.volts[inside].mean()) if view.volts_known else None
    for names in _subsets(chart):
        low, high = 0.0, 0.0
        for name in names:
            part = machine.component(name)
            least, most = band_w(machine, part, volts)
            low, high = low + (least or MISSING_SHARE * part.rated_w), high + most
        if low <= seen_w <= high:
            return True
    return False


def _subsets(chart: PhaseChart) -> list[tuple[str, ...]]:
    sets: list[tuple[str, ...]] = [chart.on]
    for name in chart.pulsing:
        sets += [(*s, name) for s in sets]
    return sets


def _spell(view: View, number: int, name: str, first: int, last: int) -> list[Expected]:
    """One spell (steps from the start of stay ``number``) of a part: does its draw fit its plate?"""
    stay, machine = view.stays[number], view.recorded.run.model.machine
    row, inside = view.recorded.run.index[name], slice(stay.start, stay.end)
    asked, drawn = view.recorded.asked[row, inside], view.recorded.part_w[row, inside]
    component = machine.component(name)
    heater = component.nature == "resistive"
    settle_s = HEATER_SETTLES_S if heater else INRUSH_S
    long_s = (last - first) * DT_S
    began_s = (stay.start + first) * DT_S
    volts = float(view.recorded.volts[stay.start + first : stay.start + last].mean())
    share = (volts / machine.rated_voltage_v(component)) ** 2 if heater else 1.0
    steady = drawn[min(first + round(settle_s / DT_S), last - 1) : last]
    mean_w = float(steady.mean())
    low, high = band_w(machine, component, volts if view.volts_known else None)
    chart = view.chart(stay)
    common: dict[str, Any] = {"phases": _neighbours(view, number), "components": (name,), "cycle": stay.cycle}
    if mean_w < MISSING_SHARE * component.rated_w * share and float(asked[first:last].mean()) > 0.3:
        if name not in chart.on or long_s < EVIDENCE_S:
            return []
        shows = _shows_at(view, stay, chart, first, last)
        if shows is None:
            return []
        shows_s = (stay.start + first + shows) * DT_S
        hidden_s = _hidden_until_s(view, number, _drawing(view, stay)) if first == 0 else 0.0
        if hidden_s > (stay.start + last) * DT_S:
            return []
        late = max(began_s, hidden_s, shows_s) + EVIDENCE_S + view.slack_s + 5
        also = _as_if_short(view, number, chart, name)
        return [Expected("component_missing", began_s, began_s + 1, late, also=also, **common)]
    if long_s < EVIDENCE_S + 2:
        return []
    late = began_s + (50.0 if heater else 33.0) + view.slack_s
    if low is not None and mean_w < low * 0.998:
        return [Expected("power_low", began_s, began_s + 2, late, **common)]
    if mean_w > high * 1.002:
        return [Expected("power_high", began_s, began_s + 2, late, **common)]
    return []


def _pulsing_stops(view: View, number: int, stay: Stay, chart: PhaseChart) -> list[Expected]:
    """A pulsing motor that was asked for and does not turn: from the start, or after at least three strokes."""
    if chart.stage not in ("wash", "rinse", "heat"):
        return []
    out: list[Expected] = []
    for name in chart.pulsing:
        component = view.recorded.run.model.machine.component(name)
        row = view.recorded.run.index[name]
        asked = view.recorded.asked[row, stay.start : stay.end] > 0
        drawn = view.recorded.part_w[row, stay.start : stay.end] > MISSING_SHARE * component.rated_w
        if component.nature != "motor" or not asked.any():
            continue
        wanted, got = spells(asked), spells(drawn, 0.6)
        if len(wanted) < 4 or len(got) >= len(wanted) - 1:
            continue
        rests = [b[0] - a[1] for a, b in pairwise(got)]
        wait_s = max(45.0, 3 * max(rests, default=0) * DT_S)
        began_s = (stay.start + (got[-1][1] if len(got) >= 3 else 0)) * DT_S
        if (stay.end * DT_S - began_s) < wait_s + 5:
            continue
        blind = len(got) < 3
        hidden_s = _hidden_until_s(view, number, _drawing(view, stay)) if blind else 0.0
        due_s = max(began_s + wait_s, hidden_s) + EVIDENCE_S + view.slack_s
        out.append(
            Expected("component_missing", began_s, began_s + 20.0, due_s + (LATER_S if blind else 0),
                    phases=_neighbours(view, number), components=(name,), cycle=stay.cycle,
                    also=("phase_missing", "phase_too_long") if blind else ())
        )  # fmt: skip
    return out


def _band(view: View, stay: Stay, chart: PhaseChart) -> list[Expected]:
    """A phase with ``power_w``: the machine's steady draw in it, ramps apart."""
    if chart.power_w is None:
        return []
    whole = view.recorded.part_w[:, stay.start : stay.end].sum(axis=0)
    width = round(EVIDENCE_S / DT_S)
    if whole.size < width:
        return []
    sums = np.concatenate([[0.0], np.cumsum(whole)])
    means = (sums[width:] - sums[:-width]) / width
    squares = np.concatenate([[0.0], np.cumsum(whole**2)])
    spread = np.sqrt(np.maximum((squares[width:] - squares[:-width]) / width - means**2, 0))
    out: list[Expected] = []
    for kind, wrong in (
        ("power_low", means < (chart.power_w.low or 0.0)),
        ("power_high", means > (chart.power_w.high or np.inf)),
    ):
        at = np.flatnonzero(wrong & (spread < 0.06 * means))
        if at.size:
            began_s = (stay.start + int(at[0])) * DT_S
            out.append(
                Expected(kind, began_s, began_s + 2, began_s + EVIDENCE_S + 10 + view.slack_s, phases=(stay.id,),
                        components=chart.on + chart.pulsing, cycle=stay.cycle)
            )  # fmt: skip
    return out


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
        highest = -1
        for k, stay in enumerate(stays):
            here = place[stay.id]
            at_s = stay.start * DT_S
            if here < highest:
                out.append(
                    Expected("phase_out_of_order", at_s, at_s, stay.end * DT_S + LATER_S + view.slack_s,
                            phases=tuple(s.id for s in stays[max(k - 1, 0) : k + 1]), cycle=number,
                            also=("phase_missing",))
                )  # fmt: skip
            for row in rows[highest + 1 : here]:
                if not row.optional and row.id not in came:
                    until = stay if (row.on, row.pulsing) != (view.chart(stay).on, view.chart(stay).pulsing) else None
                    later = stays[min(k + 1, len(stays) - 1)]
                    due_s = (at_s if until else later.end * DT_S) + LATER_S + view.slack_s
                    out.append(
                        Expected("phase_missing", at_s, at_s, due_s, phases=(row.id,), cycle=number,
                                also=("phase_out_of_order",))
                    )  # fmt: skip
            highest = max(highest, here)
    return out


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
        wait_s = 300.0 if not quiet else quiet[-1].max_s + 30.0
        following = run.cycles[number + 1].start * DT_S if number + 1 < len(run.cycles) else run.n * DT_S
        if stop_s + wait_s + 30 > following:
            continue
        out.append(
            Expected("stopped_early", stop_s, stop_s + min(wait_s, 300.0) - 2, stop_s + wait_s + 30 + view.slack_s,
                    phases=tuple(s.id for s in stays[-2:]) + tuple(r.id for r in rows[here + 1 : here + 2]),
                    cycle=number)
        )  # fmt: skip
    return out


def _never_ending(view: View) -> list[Expected]:
    out: list[Expected] = []
    for number, played in enumerate(view.recorded.run.cycles):
        longest_s = view.recorded.run.model.machine.programme(played.programme).longest_s()
        if (played.end - played.start) * DT_S > longest_s + 1:
            at_s = played.start * DT_S + longest_s
            out.append(
                Expected("never_ending", played.start * DT_S, at_s, at_s + EVIDENCE_S + view.slack_s, cycle=number)
            )
    return out
