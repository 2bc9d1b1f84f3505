"""Expectations about parts: what each was asked for and drew, against its plate and the phase's chart, by the contract.

It knows what nobody at the meter knows, and therefore asks of every wrong part when it can be seen from outside.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from loadbook.machine import PhaseChart
from loadbook.simulate.alike import drawing, hidden_until_s, neighbours, next_rows, over_already, rivals_until_s
from loadbook.simulate.bands import MISSING_SHARE, band_w
from loadbook.simulate.expect import Expected, View
from loadbook.simulate.run import DT_S, Stay
from loadbook.simulate.spells import spells

INRUSH_S = 3.0
HEATER_SETTLES_S = 20.0
EVIDENCE_S = 30.0
BREAK_S = 10.0
"""So long may a part that is on for all of a phase be interrupted (contract)."""
LATER_S = 60.0
STANDSTILL_S = 300.0
NO_HEAT_S = 600.0
METER = 0.01
"""A class 1 meter cannot tell watts this near to a limit from watts on the other side."""
LEAST_S = 2.0
"""A heater may be judged from its 20th second on, however soon it is interrupted."""
STEADY = 0.06
"""Watts are steady where their spread is below this share of their mean."""


def expectations(view: View, number: int, stay: Stay, chart: PhaseChart) -> list[Expected]:
    """Everything that follows from the parts in one stay."""
    machine = view.recorded.run.model.machine
    out: list[Expected] = []
    for component in machine.components:
        if component.id in (*chart.on, *chart.pulsing):
            out += _listed(view, number, component.id)
        else:
            out += _unlisted(view, number, component.id)
    return out + _pulsing_stops(view, number, stay, chart) + _band(view, stay, chart)


def _listed(view: View, number: int, name: str) -> list[Expected]:
    stay, run = view.stays[number], view.recorded.run
    row, inside = run.index[name], slice(stay.start, stay.end)
    asked, drawn = view.recorded.asked[row, inside] > 0, view.recorded.part_w[row, inside]
    dead = drawn < MISSING_SHARE * run.model.machine.component(name).rated_w * _share(view, name, stay)
    out: list[Expected] = []
    for first, last in through_breaks(spells(asked & dead, 1.0), dead):
        out += _missing(view, number, name, first, last)
    at_work = spells(asked & ~dead)
    for first, last in at_work:
        out += _level(view, number, name, first, last)
    return out or _in_strokes(view, number, name, at_work)


def through_breaks(pairs: list[tuple[int, int]], dead: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Spells joined over interruptions that the contract allows, where nothing came between them: a part that is not
    asked for during a few seconds is as missing before as after."""
    out: list[tuple[int, int]] = []
    for first, last in pairs:
        if out and (first - out[-1][1]) * DT_S <= BREAK_S and dead[out[-1][1] : first].all():
            out[-1] = (out[-1][0], last)
        else:
            out.append((first, last))
    return out


def _share(view: View, name: str, stay: Stay) -> float:
    """What the supply does to a part's watts in a stay: (V / rated)^2 for resistive ones."""
    machine = view.recorded.run.model.machine
    component = machine.component(name)
    volts = view.recorded.volts[stay.start : stay.end]
    live = volts[volts > 1.0]
    if component.nature != "resistive" or not live.size:
        return 1.0
    return float((live.mean() / machine.rated_voltage_v(component)) ** 2)


def _missing(view: View, number: int, name: str, first: int, last: int) -> list[Expected]:
    """A part that is on for all of the phase and draws nothing: due 30 s after that shows (contract, section 4). A
    heater that the chart lets pulse may rest as it likes; that it never comes may be said after ten minutes."""
    stay = view.stays[number]
    chart = view.chart(stay)
    component = view.recorded.run.model.machine.component(name)
    if name in chart.pulsing and component.nature == "resistive" and (stay.end - stay.start) * DT_S > NO_HEAT_S:
        at_s = (stay.start + first) * DT_S
        return [
            Expected("component_missing", at_s, at_s + NO_HEAT_S, stay.end * DT_S, may=True,
                    phases=neighbours(view, number), components=(name,), cycle=stay.cycle)
        ]  # fmt: skip
    if name not in chart.on or (last - first) * DT_S < EVIDENCE_S:
        return []
    seen = max(first, _drew_at(view, stay))
    shows = _shows_at(view, stay, chart, seen, last)
    if shows is None:
        return []
    left = drawing(view, Stay(stay.id, stay.stage, stay.start + first, stay.start + last)) - {name}
    began_s, ends_s = (stay.start + first) * DT_S, (stay.start + last) * DT_S
    hidden_s = hidden_until_s(view, number) if first * DT_S < 2.0 else 0.0
    rivals_s = rivals_until_s(view, stay.cycle)
    if max(hidden_s, rivals_s) > ends_s:
        return []
    proof_s = max(began_s, rivals_s - LATER_S)
    late_s = max(began_s, hidden_s, rivals_s, (stay.start + seen + shows) * DT_S) + EVIDENCE_S + view.slack_s + 5
    unknowable = first * DT_S >= 2.0 and over_already(view, stay, stay.start + first, left)
    names: tuple[str, ...] = (name,)
    phases = neighbours(view, number)
    if not left:  # at a standstill nobody knows which of the parts that might come next is gone
        rows = next_rows(view, stay)
        names += tuple(p for r in rows for p in r.on)
        phases += tuple(r.id for r in rows)
    return [
        Expected("component_missing", began_s, proof_s + 1, late_s, may=unknowable,
                phases=tuple(dict.fromkeys(phases)), components=tuple(dict.fromkeys(names)), cycle=stay.cycle)
    ]  # fmt: skip


def _level(view: View, number: int, name: str, first: int, last: int) -> list[Expected]:
    """A part that draws: within its band? Due 30 s after its watts show (a heater's from 20 s on)."""
    stay, machine = view.stays[number], view.recorded.run.model.machine
    component, chart = machine.component(name), view.chart(view.stays[number])
    row = view.recorded.run.index[name]
    heater = component.nature == "resistive"
    settle_s = HEATER_SETTLES_S if heater else INRUSH_S
    least_s = LEAST_S if heater else EVIDENCE_S
    if (last - first) * DT_S < settle_s + least_s or (chart.power_w is not None and not heater):
        return []
    begins, ends = stay.start + first, stay.start + last
    steady = view.recorded.part_w[row, begins + round(settle_s / DT_S) : ends]
    mean_w = float(steady.mean())
    if float(steady.std()) > 3 * STEADY * mean_w:
        return []
    volts = float(view.recorded.volts[begins:ends].mean()) if view.volts_known else None
    low, high = band_w(machine, component, volts)
    if low is not None and mean_w < low:
        kind, clear = "power_low", mean_w < low * (1 - METER)
    elif mean_w > high:
        kind, clear = "power_high", mean_w > high * (1 + METER)
    else:
        return []
    began_s = begins * DT_S
    shows = _shows_wrong_at(view, stay, chart, name, first, last)
    seen_s = max(settle_s, (shows or 0) * DT_S)
    firm = clear and shows is not None and (last - first) * DT_S >= seen_s + EVIDENCE_S
    return [
        Expected(kind, began_s, began_s + 2, began_s + seen_s + EVIDENCE_S + view.slack_s, may=not firm,
                phases=neighbours(view, number), components=(name,), cycle=stay.cycle)
    ]  # fmt: skip


def _in_strokes(view: View, number: int, name: str, at_work: list[tuple[int, int]]) -> list[Expected]:
    """A motor whose strokes are too short to be judged, but truly above its plate: that may be said."""
    stay, machine = view.stays[number], view.recorded.run.model.machine
    row, settle = view.recorded.run.index[name], round(INRUSH_S / DT_S)
    _, high = band_w(machine, machine.component(name), None)
    drawn = view.recorded.part_w[row]
    strokes = [drawn[stay.start + a + settle : stay.start + b] for a, b in at_work if b - a > 2 * settle]
    if not strokes or float(np.percentile(np.concatenate(strokes), 75)) <= high:
        return []
    began_s = (stay.start + at_work[0][0]) * DT_S
    return [
        Expected("power_high", began_s, began_s + 2, stay.end * DT_S, may=True, phases=neighbours(view, number),
                components=(name,), cycle=stay.cycle)
    ]  # fmt: skip


def _unlisted(view: View, number: int, name: str) -> list[Expected]:
    """A part that draws where the chart has it in neither list. Where it does so for less than half a minute it may be
    said: the contract wants that as soon as the evidence suffices, at the latest after so long."""
    stay, run = view.stays[number], view.recorded.run
    chart, inside = view.chart(view.stays[number]), slice(stay.start, stay.end)
    drawn = view.recorded.part_w[run.index[name], inside]
    others = view.recorded.part_w[:-1, inside].sum(axis=0) - drawn
    out: list[Expected] = []
    for first, last in spells(drawn > np.maximum(5.0, 0.04 * others), 1.0):
        if (last - first) * DT_S < BREAK_S or _explained(view, stay, chart, first, last):
            continue
        began_s = (stay.start + first) * DT_S
        hidden_s = hidden_until_s(view, number) if first == 0 else 0.0
        if hidden_s > (stay.start + last) * DT_S:
            continue
        out.append(
            Expected("component_unexpected", began_s, began_s + 1,
                    max(began_s, hidden_s) + EVIDENCE_S + view.slack_s + 5,
                    phases=neighbours(view, number), components=(name,), cycle=stay.cycle,
                    also=("phase_too_long",) if hidden_s else (), may=(last - first) * DT_S < EVIDENCE_S + 2)
        )  # fmt: skip
    return out


def _drew_at(view: View, stay: Stay) -> int:
    """Steps into a stay until anything has drawn in its cycle: before, nobody can know that a programme runs, and that
    a part of it should draw (contract, section 3: without a draw there is no cycle)."""
    start = view.recorded.run.cycles[stay.cycle].start
    drew = view.recorded.part_w[:-1, start : stay.end].sum(axis=0) > 1.0
    return max(start + int(drew.argmax()) - stay.start, 0) if drew.any() else stay.end - stay.start


def _shows_at(view: View, stay: Stay, chart: PhaseChart, first: int, last: int) -> int | None:
    """Steps into a spell until the others' watts no longer pass for all that should draw; None where they always do."""
    piece = round(10.0 / DT_S)
    for at in range(first, last - piece + 1, piece // 2):
        if not _explained(view, stay, chart, at, at + piece):
            return at - first
    return None


def _shows_wrong_at(view: View, stay: Stay, chart: PhaseChart, name: str, first: int, last: int) -> int | None:
    """Steps into a spell until the part's wrong watts show: the sum is outside all bands, or it draws alone."""
    piece = round(10.0 / DT_S)
    row = view.recorded.run.index[name]
    for at in range(first, last - piece + 1, piece // 2):
        inside = slice(stay.start + at, stay.start + at + piece)
        own = float(view.recorded.part_w[row, inside].mean())
        rest = float(view.recorded.part_w[:-1, inside].sum(axis=0).mean()) - own
        if rest < 0.04 * own or not _explained(view, stay, chart, at, at + piece):
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
    if chart.power_w is not None and (chart.power_w.low or 0.0) <= seen_w <= (chart.power_w.high or np.inf):
        return True
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


def _pulsing_stops(view: View, number: int, stay: Stay, chart: PhaseChart) -> list[Expected]:
    """A pulsing motor that was asked for and does not turn: after three strokes by the contract's rule; else where a
    heater runs without it, or all stands still so long that the machine has stopped."""
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
        common: dict[str, Any] = {"phases": neighbours(view, number), "components": (name,), "cycle": stay.cycle}
        if len(got) >= 3:
            out += _after_strokes(view, stay, got, common)
        else:
            out += _never_turned(view, number, name, common)
    return out


def _after_strokes(view: View, stay: Stay, got: list[tuple[int, int]], common: dict[str, Any]) -> list[Expected]:
    wait_s = max(45.0, 3 * max(b[0] - a[1] for a, b in pairwise(got)) * DT_S)
    last = stay.start + got[-1][1]
    if (stay.end - last) * DT_S < wait_s + 5:
        return []
    rest = drawing(view, Stay(stay.id, stay.stage, last, stay.end))
    unknowable = over_already(view, stay, last, rest)
    began_s = last * DT_S
    return [
        Expected("component_missing", began_s, began_s + min(wait_s, 45.0) - 3,
                began_s + wait_s + EVIDENCE_S + view.slack_s, may=unknowable, **common)
    ]  # fmt: skip


def _never_turned(view: View, number: int, name: str, common: dict[str, Any]) -> list[Expected]:
    """No stroke at all: the contract's rule of three strokes does not apply. With another part at work all the same
    it is due; at a standstill it is due as ``stopped_early`` is, and either says it."""
    stay = view.stays[number]
    row = view.recorded.run.index[name]
    here = drawing(view, stay)
    before = [s for s in view.stays[: number + 1] if s.cycle == stay.cycle]
    wanted = next(s for s in before if view.recorded.asked[row, s.start : s.end].any())
    hidden_s = hidden_until_s(view, number)
    start_s, ends_s = max(stay.start * DT_S, hidden_s), stay.end * DT_S
    wait_s = 45.0 + LATER_S if here else STANDSTILL_S
    if ends_s - start_s < wait_s + EVIDENCE_S:
        return []
    return [
        Expected("component_missing", wanted.start * DT_S, wanted.start * DT_S + 20.0,
                start_s + wait_s + EVIDENCE_S + view.slack_s, also=() if here else ("stopped_early",), **common)
    ]  # fmt: skip


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
    still = (spread < STEADY * means) & (means > 5.0)
    out: list[Expected] = []
    for kind, off in (
        ("power_low", 1.0 - means / max(chart.power_w.low or 0.0, 1e-9)),
        ("power_high", means / (chart.power_w.high or np.inf) - 1.0),
    ):
        at = np.flatnonzero((off > 0) & still)
        clear = np.flatnonzero((off > METER) & still)
        if at.size:
            first = int(clear[0]) if clear.size else int(at[0])
            began_s = (stay.start + first) * DT_S
            out.append(
                Expected(kind, began_s, (stay.start + int(at[0])) * DT_S + 2, began_s + EVIDENCE_S + 10 + view.slack_s,
                        phases=(stay.id,), components=chart.on + chart.pulsing, cycle=stay.cycle, may=not clear.size)
            )  # fmt: skip
    return out
