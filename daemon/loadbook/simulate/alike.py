"""Which phases look alike at the meter, and until when another charted programme explains all that was seen.

The contract (section 2): where neighbouring phases look alike, the earlier one holds until its ``max_s``; where several
charted programmes still fit, nothing is called missing or too short on behalf of one of them.
"""

from __future__ import annotations

import numpy as np

from loadbook.machine import PhaseChart, Programme
from loadbook.simulate.expect import View
from loadbook.simulate.run import DT_S, Stay

DRAWS_W = 2.0
PIECE_S = 60.0
STEADILY = 0.8
"""A part that is on for all of a phase draws in more than this share of it."""


def drawing(view: View, stay: Stay, share: float = 0.2) -> set[str]:
    """Parts that truly draw in more than that share of a stay."""
    parts = view.recorded.run.parts[:-1]
    seen = view.recorded.part_w[:-1, stay.start : max(stay.end, stay.start + 1)] > DRAWS_W
    return {p for p, seen_share in zip(parts, seen.mean(axis=1), strict=True) if seen_share > share}


def fits(chart: PhaseChart, parts: set[str] | frozenset[str]) -> bool:
    """Whether these parts drawing may be that phase."""
    return set(chart.on) <= parts <= {*chart.on, *chart.pulsing}


def hidden_until_s(view: View, number: int) -> float:
    """A stay that looks like the one before holds as that one until its ``max_s``; 0 where it does not."""
    stay = view.stays[number]
    if number == 0 or view.stays[number - 1].cycle != view.stays[number].cycle:
        return 0.0
    before = view.stays[number - 1]
    chart = view.chart(before)
    alike = set(chart.on) <= drawing(view, stay, STEADILY) and fits(chart, drawing(view, stay))
    return before.start * DT_S + chart.max_s if alike else 0.0


def same_look_until_s(view: View, number: int) -> float:
    """Until when a stay may as well be the one before it, whose chart is the same, or lets all its parts come and go
    as they like; 0 where it may not."""
    stay = view.stays[number]
    before = view.stays[number - 1] if number else stay
    one, two = view.chart(before), view.chart(stay)
    if before is not stay and before.cycle == stay.cycle and one.on:
        return _first_unlike_s(view, stay, one)
    same = (set(one.on), set(one.pulsing)) == (set(two.on), set(two.pulsing))
    loose = not one.on and {*two.on, *two.pulsing} <= set(one.pulsing)
    if before is stay or before.cycle != stay.cycle or not (same or loose):
        return 0.0
    return min(before.start * DT_S + one.max_s, stay.end * DT_S)


def _first_unlike_s(view: View, stay: Stay, before: PhaseChart) -> float:
    """Where a phase begins with what the one before looks like all along (a drum that turns before the heat comes):
    when the first other part draws; 0 where that is at once or never."""
    run = view.recorded.run
    others = [run.index[p] for p in run.parts[:-1] if p not in before.on]
    foreign = np.flatnonzero((view.recorded.part_w[others, stay.start : stay.end] > DRAWS_W).any(axis=0))
    steady = view.recorded.part_w[[run.index[p] for p in before.on], stay.start : stay.end] > DRAWS_W
    if not foreign.size or not steady[:, : int(foreign[0])].all():
        return 0.0
    return (stay.start + int(foreign[0])) * DT_S


def over_already(view: View, stay: Stay, at: int, parts: set[str]) -> bool:
    """Whether the phase may as well be over at step ``at``: its ``min_s`` has passed, and what still draws is what the
    next phase of the chart looks like."""
    chart = view.chart(stay)
    if (at - stay.start) * DT_S < chart.min_s - 10.0:
        return False
    return any(fits(row, parts) for row in next_rows(view, stay))


def next_rows(view: View, stay: Stay) -> tuple[PhaseChart, ...]:
    """What the chart lets come after a phase: optional ones, up to the first needed."""
    rows = view.programme(stay).phases
    here = next(i for i, p in enumerate(rows) if p.id == stay.id)
    out: list[PhaseChart] = []
    for row in rows[here + 1 :]:
        out.append(row)
        if not row.optional:
            break
    return tuple(out)


def neighbours(view: View, number: int) -> tuple[str, ...]:
    """The phases an alert about a stay may name: its own and those beside it."""
    stay = view.stays[number]
    near = [s.id for s in view.stays[max(number - 1, 0) : number + 2] if s.cycle == stay.cycle]
    return tuple(dict.fromkeys([stay.id, *near]))


def rivals_until_s(view: View, cycle: int, *, with_a_fault: bool = False) -> float:
    """Until when another programme of the chart explains everything seen of a cycle: 0 where there is no other,
    infinity where one fits to the end. ``with_a_fault``: also where one of its parts is missing in one phase, for
    that is as good a story as a phase that was too short."""
    machine = view.recorded.run.model.machine
    played = view.recorded.run.cycles[cycle]
    others = [p for p in machine.programmes if p.id != played.programme]
    if not others:
        return 0.0
    pieces = _pieces(view, cycle)
    return max(_refuted_s(p, pieces, with_a_fault) for p in others)


def _pieces(view: View, cycle: int) -> list[tuple[float, float, frozenset[str]]]:
    """A cycle cut into pieces of up to a minute, none across phases: (start s, end s, parts that drew)."""
    parts = view.recorded.run.parts[:-1]
    width = round(PIECE_S / DT_S)
    out: list[tuple[float, float, frozenset[str]]] = []
    for stay in view.stays:
        if stay.cycle != cycle:
            continue
        for first in range(stay.start, stay.end, width):
            last = min(first + width, stay.end)
            if last - first < width // 4 and first > stay.start:
                continue
            drew = np.any(view.recorded.part_w[:-1, first:last] > DRAWS_W, axis=1)
            out.append((first * DT_S, last * DT_S, frozenset(p for p, d in zip(parts, drew, strict=True) if d)))
    return out


def _refuted_s(programme: Programme, pieces: list[tuple[float, float, frozenset[str]]], with_a_fault: bool) -> float:
    """When the programme no longer explains the pieces; infinity where it explains them all."""
    rows = programme.phases
    states: set[tuple[int, float, int]] = set()  # (row, entered at, row with a part missing or -1)

    def may_be(k: int, ill: int, parts: frozenset[str]) -> int | None:
        if fits(rows[k], parts):
            return ill
        one_gone = bool(parts) and fits(rows[k], {*parts, *rows[k].on}) and len({*rows[k].on} - parts) == 1
        return k if with_a_fault and one_gone and ill in (-1, k) else None

    for number, (start_s, end_s, parts) in enumerate(pieces):
        after: set[tuple[int, float, int]] = set()
        if number == 0:
            for k, row in enumerate(rows):
                if (ill := may_be(k, -1, parts)) is not None:
                    after.add((k, start_s, ill))
                if not row.optional:
                    break
        for k, entered_s, was_ill in states:
            ill = may_be(k, was_ill, parts)
            if ill is not None and end_s - entered_s <= rows[k].max_s + 0.5 * PIECE_S:
                after.add((k, entered_s, ill))
            if start_s - entered_s < rows[k].min_s - 0.5 * PIECE_S:
                continue
            for later in range(k + 1, len(rows)):
                if (ill := may_be(later, was_ill, parts)) is not None:
                    after.add((later, start_s, ill))
                if not rows[later].optional:
                    break
        if not after:
            limits = [e + rows[k].max_s for k, e, ill in states if may_be(k, ill, parts) is not None]
            return max([start_s, *limits])
        states = after
    return float("inf")
