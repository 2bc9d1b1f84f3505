"""Which phases look alike at the meter, and until when another charted programme explains all that was seen.

The contract (section 2): where neighbouring phases look alike, the earlier one holds until its ``max_s``; where several
charted programmes still fit, nothing is called missing or too short on behalf of one of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import takewhile

import numpy as np

from loadbook.machine import PhaseChart, Programme
from loadbook.simulate.expect import View
from loadbook.simulate.run import DT_S, Stay

DRAWS_W = 2.0
PIECE_S, OWN_PIECE_S = 60.0, 15.0
BREAK_S = 10.0
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


def alike_after(view: View, stay: Stay) -> tuple[PhaseChart, ...]:
    """The phases that the chart has right after this one and that look like it, one after the other."""
    rows, parts = view.programme(stay).phases, drawing(view, stay)
    here = next(i for i, p in enumerate(rows) if p.id == stay.id)
    return tuple(takewhile(lambda row: fits(row, parts), rows[here + 1 :]))


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
    return max(_refuted_s(p, pieces, 0.5 * PIECE_S, with_a_fault=with_a_fault) for p in others)


def explained_until_s(view: View, cycle: int) -> float:
    """Until when the cycle's own chart explains all that was seen of it without anything wrong: what phases look alike
    may pass for each other, each up to its ``max_s``. Until then nobody can know that one ran too long, did not come or
    came in the wrong place. Infinity where it explains the whole cycle."""
    played = view.recorded.run.cycles[cycle]
    own = view.recorded.run.model.machine.programme(played.programme)
    return _refuted_s(own, _pieces(view, cycle, OWN_PIECE_S), 1.0, whole=played.outcome == "completed")


@dataclass(frozen=True)
class Piece:
    """A piece of a cycle: from and to (s), the parts that drew in it, the least and the most watts of all together."""

    start_s: float
    end_s: float
    parts: frozenset[str]
    low_w: float
    high_w: float

    def fits(self, row: PhaseChart) -> bool:
        """Whether it may be of that phase: by its parts, and by its band where it has one."""
        band = row.power_w
        if band is not None and (self.high_w < (band.low or 0.0) or (band.high is not None and self.low_w > band.high)):
            return False
        return fits(row, self.parts)


def _pieces(view: View, cycle: int, piece_s: float = PIECE_S) -> list[Piece]:
    """A cycle cut into pieces of up to so long, none across phases; the rest of a phase that is shorter than an
    interruption may be is left out."""
    parts = view.recorded.run.parts[:-1]
    width = round(piece_s / DT_S)
    out: list[Piece] = []
    for stay in view.stays:
        if stay.cycle != cycle:
            continue
        for first in range(stay.start, stay.end, width):
            last = min(first + width, stay.end)
            if (last - first) * DT_S < BREAK_S and first > stay.start:
                continue
            drew = np.any(view.recorded.part_w[:-1, first:last] > DRAWS_W, axis=1)
            watts = view.recorded.part_w[:, first:last].sum(axis=0)
            seen = frozenset(p for p, d in zip(parts, drew, strict=True) if d)
            out.append(Piece(first * DT_S, last * DT_S, seen, float(watts.min()), float(watts.max())))
    return out


def _refuted_s(
    programme: Programme, pieces: list[Piece], slack_s: float, *, with_a_fault: bool = False, whole: bool = False
) -> float:
    """When the programme no longer explains the pieces, its limits taken ``slack_s`` wider; infinity where it explains
    them all. ``whole``: they are a cycle that has ended, so nothing needed may be left to come."""
    rows = programme.phases
    last_needed = max((k for k, row in enumerate(rows) if not row.optional), default=0)
    states: set[tuple[int, float, int]] = set()  # (row, entered at, row with a part missing or -1)

    def may_be(k: int, ill: int, piece: Piece) -> int | None:
        if piece.fits(rows[k]):
            return ill
        parts = piece.parts
        one_gone = bool(parts) and fits(rows[k], {*parts, *rows[k].on}) and len({*rows[k].on} - parts) == 1
        return k if with_a_fault and one_gone and ill in (-1, k) else None

    for number, piece in enumerate(pieces):
        after: set[tuple[int, float, int]] = set()
        if number == 0:
            for k, row in enumerate(rows):
                if (ill := may_be(k, -1, piece)) is not None:
                    after.add((k, piece.start_s, ill))
                if not row.optional:
                    break
        for k, entered_s, was_ill in states:
            ill = may_be(k, was_ill, piece)
            if ill is not None and piece.end_s - entered_s <= rows[k].max_s + slack_s:
                after.add((k, entered_s, ill))
            if piece.start_s - entered_s < rows[k].min_s - slack_s:
                continue
            for later in range(k + 1, len(rows)):
                if (ill := may_be(later, was_ill, piece)) is not None:
                    after.add((later, piece.start_s, ill))
                if not rows[later].optional:
                    break
        if not after:
            limits = [e + rows[k].max_s for k, e, ill in states if may_be(k, ill, piece) is not None]
            return max([piece.start_s, *limits])
        states = after
    if whole and pieces and all(k < last_needed for k, _, _ in states):
        return pieces[-1].end_s
    return float("inf")
