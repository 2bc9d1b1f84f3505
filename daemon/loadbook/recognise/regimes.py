"""Phases of a known-good cycle, from which parts were at work: where the set of parts changes, a phase changes.

Pure. A part is at work from its first to its last draw, over rests no longer than it is allowed (a reversing drum, a
thermostat); how long that is, is chosen so that all good cycles of one programme come out alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise, product
from statistics import median
from typing import cast

from loadbook.events import Cycle
from loadbook.machine import Machine, Stage
from loadbook.reading import Series
from loadbook.recognise.explain import Level, explain, levels_of
from loadbook.recognise.texture import SMALL_W

SMALL_REST_MS = 8_000
RESTS_MS = tuple(
    sorted(((h, m) for h in (30_000, 60_000, 200_000, 400_000, 900_000) for m in (30_000, 60_000, 150_000)), key=sum)
)
"""Rests of (heaters, motors) that are tried, the shortest first."""
DRYER_REST_MS = 400_000
"""Where air is dried, the thermostat's rests belong to the drying."""
STEADY_MS = 120_000
"""A dryer's motor that runs this long without a break cools; in strokes it tumbles against creases."""
STEADY = "*"
SHORT_MS = 8_000
"""A set of parts that lasts shorter belongs to its neighbour."""
STROKE_MS = 2_500
SKIP = 0.55
ALIKE_IN_TIME = 0.7
OTHER_PART = 0.25
BLINK_MS = 2_000
EVEN = 0.6
"""Lengths of one phase that are less alike than this speak against its being one."""


@dataclass(slots=True)
class Good:
    """One known-good cycle: when, its levels, and the stages its power alone shows."""

    source: str
    start_ms: int
    end_ms: int
    energy_kwh: float
    levels: list[Level]
    stages: list[tuple[Stage, int, int]] = field(default_factory=list)

    @property
    def seconds(self) -> float:
        return (self.end_ms - self.start_ms) / 1000


@dataclass(slots=True)
class Regime:
    """A time through which one set of parts was at work."""

    start_ms: int
    end_ms: int
    parts: frozenset[str]

    @property
    def seconds(self) -> float:
        return (self.end_ms - self.start_ms) / 1000


def good_cycles(series: Series, cycles: Sequence[Cycle], machine: Machine, source: str) -> list[Good]:
    """The complete cycles of a log, their levels explained by the plates. ``cycles`` are found without a chart."""
    out = []
    for cycle in cycles:
        if cycle.outcome != "completed":
            continue
        levels = levels_of(series, cycle.start_ms, cycle.end_ms)
        explain(levels, machine)
        stages = [(cast(Stage, p.stage), p.start_ms or 0, p.end_ms or 0) for p in cycle.phases]
        out.append(Good(source, cycle.start_ms, cycle.end_ms, cycle.energy_kwh or 0.0, levels, stages))
    return out


def regimes(good: Good, machine: Machine, heater_rest_ms: int, motor_rest_ms: int, water: bool = True) -> list[Regime]:
    """The cycle cut where the set of parts at work changes. ``water``: also where a valve opens or closes once the
    machine works, which some do in gulps that differ from day to day."""
    work: dict[str, list[list[int]]] = {}
    one = _one_motor(machine)
    for part in machine.components:
        if part.id in one[1:]:
            continue
        rest_ms = SMALL_REST_MS
        if part.nature == "resistive":
            rest_ms = heater_rest_ms
        elif part.nature == "motor" and part.rated_w > SMALL_W:
            rest_ms = motor_rest_ms
        spans = _spans(good.levels, {part.id, *one} if part.id in one else {part.id}, rest_ms)
        if part.nature == "solenoid" and not water:
            spans = _outside_work(spans, good.levels, machine)
        if spans:
            work[part.id] = spans
        if part.nature == "motor" and machine.machine.kind == "tumble_dryer":
            steady = [s for s in _spans(good.levels, {part.id}, BLINK_MS) if s[1] - s[0] >= STEADY_MS]
            work |= {part.id + STEADY: steady} if steady else {}
    edges = sorted({good.start_ms, good.end_ms, *(e for spans in work.values() for span in spans for e in span)})
    edges = [e for e in edges if good.start_ms <= e <= good.end_ms]
    out: list[Regime] = []
    for left, right in pairwise(edges):
        parts = frozenset(p for p, spans in work.items() if any(a <= left < b for a, b in spans))
        if out and out[-1].parts == parts:
            out[-1].end_ms = right
        else:
            out.append(Regime(left, right, parts))
    return _without_short(out)


def _one_motor(machine: Machine) -> list[str]:
    """The parts that are loads of a washer's one motor: tumbling, spinning."""
    if machine.machine.kind not in ("washing_machine", "washer_dryer"):
        return []
    return [p.id for p in machine.components if p.nature == "motor" and p.rated_w > SMALL_W]


def _outside_work(spans: list[list[int]], levels: Sequence[Level], machine: Machine) -> list[list[int]]:
    """Of a valve's spans, what lies before the first stroke of a motor or the heater (the first fill), and what comes
    after the last."""
    large = {p.id for p in machine.components if p.rated_w > SMALL_W}
    work = [lv for lv in levels if lv.parts & large and lv.end_ms - lv.start_ms >= STROKE_MS]
    if not work:
        return spans
    first_ms, last_ms = work[0].start_ms, work[-1].end_ms
    cut = [[a, min(b, first_ms)] for a, b in spans if a < first_ms]
    cut += [[max(a, last_ms), b] for a, b in spans if b > last_ms]
    return [span for span in cut if span[1] - span[0] >= SHORT_MS]


def _spans(levels: Sequence[Level], parts: set[str], rest_ms: int) -> list[list[int]]:
    """When a part, or one of several, was at work."""
    spans: list[list[int]] = []
    for level in levels:
        if not level.parts & parts:
            continue
        if spans and level.start_ms - spans[-1][1] <= rest_ms:
            spans[-1][1] = level.end_ms
        else:
            spans.append([level.start_ms, level.end_ms])
    return [span for span in spans if span[1] - span[0] >= STROKE_MS]


def _without_short(found: list[Regime]) -> list[Regime]:
    """Short sets given to the neighbour that is more like them."""
    while len(found) > 1:
        short = min(range(len(found)), key=lambda i: found[i].end_ms - found[i].start_ms)
        if found[short].end_ms - found[short].start_ms >= SHORT_MS:
            break
        sides = [i for i in (short - 1, short + 1) if 0 <= i < len(found)]
        into = max(sides, key=lambda i: (likeness(found[i].parts, found[short].parts), found[i].seconds))
        kept, gone = found[into], found.pop(short)
        kept.start_ms, kept.end_ms = min(kept.start_ms, gone.start_ms), max(kept.end_ms, gone.end_ms)
        found = _joined(found)
    return found


def _joined(found: list[Regime]) -> list[Regime]:
    out: list[Regime] = []
    for regime in found:
        if out and out[-1].parts == regime.parts:
            out[-1].end_ms = regime.end_ms
        else:
            out.append(regime)
    return out


def likeness(left: frozenset[str], right: frozenset[str]) -> float:
    """0 nothing in common, 1 the same set; two empty sets are the same."""
    if not left and not right:
        return 1.0
    return len(left & right) / len(left | right)


@dataclass(slots=True)
class Column:
    """One phase across the cycles: per cycle its regime, or None where the cycle does without."""

    cells: list[Regime | None]

    @property
    def parts(self) -> frozenset[str]:
        """The parts at work in half of the cycles that have the phase, or more."""
        have = [c.parts for c in self.cells if c is not None]
        every = frozenset().union(*have)
        return frozenset(p for p in every if sum(p in parts for parts in have) * 2 >= len(have))

    @property
    def real_parts(self) -> frozenset[str]:
        """The same without the marks of steadiness."""
        return frozenset(p for p in self.parts if not p.endswith(STEADY))

    @property
    def n(self) -> int:
        return sum(c is not None for c in self.cells)

    @property
    def usual(self) -> float:
        """Median length, s."""
        return median(c.seconds for c in self.cells if c is not None)

    @property
    def longest_s(self) -> float:
        return max(c.seconds for c in self.cells if c is not None)


def columns_of(goods: Sequence[Good], machine: Machine) -> list[Column]:
    """The phases all cycles have in common, in order; some cycles may lack some."""
    best: list[Column] = []
    best_odd = float(1 << 30)
    heaters = frozenset(p.id for p in machine.components if p.nature == "resistive")
    dries = machine.machine.kind in ("tumble_dryer", "washer_dryer")
    for water, (heater_rest_ms, motor_rest_ms) in product((True, False), RESTS_MS):
        if dries and heater_rest_ms < DRYER_REST_MS:
            continue
        rows = [regimes(good, machine, heater_rest_ms, motor_rest_ms, water) for good in goods]
        columns = _absorbed(aligned(rows, heaters))
        odd = _odd(columns, rows, heaters)
        if odd < best_odd:
            best, best_odd = columns, odd
        if odd == 0:
            break
    return best


def _odd(columns: Sequence[Column], rows: Sequence[Sequence[Regime]], heaters: frozenset[str]) -> float:
    """How little the cycles agree: phases that some lack, phases too short to be one, lengths that differ much. A
    heat's length hangs on the water that came in, and its ends are plain."""
    lacking = sum(1 for c in columns if c.n < len(rows))
    short = sum(1 for row in rows for r in row if r.seconds < 20) // max(len(rows), 1) // 2
    told = [c for c in columns if not c.parts & heaters]
    uneven = sum(1 for c in told for cell in c.cells if cell and _ratio(cell.seconds, c.usual) < EVEN)
    return lacking + short + 0.25 * uneven


def _ratio(left_s: float, right_s: float) -> float:
    """How alike two lengths are, up to 1; some seconds more or less are nothing."""
    return (min(left_s, right_s) + 15) / (max(left_s, right_s) + 15)


def aligned(rows: Sequence[Sequence[Regime]], heaters: frozenset[str] = frozenset()) -> list[Column]:
    """Rows laid over one another so that like stands over like, in order."""
    first = sorted(rows, key=len)[len(rows) // 2]
    columns = [Column([regime if row is first else None for row in rows]) for regime in first]
    for place, row in enumerate(rows):
        if row is not first:
            columns = _lay(columns, row, place, heaters)
    return columns


def _lay(columns: list[Column], row: Sequence[Regime], place: int, heaters: frozenset[str]) -> list[Column]:
    """One more row over the columns: the cheapest of matching, leaving out, and putting in."""
    n, m = len(columns), len(row)
    without = [_skip(c.usual, c.parts, heaters) for c in columns]
    extra = [_skip(r.seconds, r.parts, heaters) for r in row]
    cost = [[0.0] * (m + 1) for _ in range(n + 1)]
    how = [[""] * (m + 1) for _ in range(n + 1)]
    for i in range(n + 1):
        for j in range(m + 1):
            ways = []
            if i and j:
                ways.append((cost[i - 1][j - 1] + _unlike(columns[i - 1], row[j - 1]), "match"))
            if i:
                ways.append((cost[i - 1][j] + without[i - 1], "without"))
            if j:
                ways.append((cost[i][j - 1] + extra[j - 1], "extra"))
            if ways:
                cost[i][j], how[i][j] = min(ways, key=lambda w: w[0])
    out: list[Column] = []
    i, j = n, m
    while i or j:
        if how[i][j] == "match":
            columns[i - 1].cells[place] = row[j - 1]
            out.append(columns[i - 1])
            i, j = i - 1, j - 1
        elif how[i][j] == "without":
            out.append(columns[i - 1])
            i -= 1
        else:
            cells: list[Regime | None] = [None] * len(columns[0].cells)
            cells[place] = row[j - 1]
            out.append(Column(cells))
            j -= 1
    return out[::-1]


def _skip(seconds: float, parts: frozenset[str], heaters: frozenset[str]) -> float:
    """What it costs that a cycle does without a phase: little for a short one, much for a heat."""
    return SKIP * (0.35 + 0.65 * min(1.0, seconds / 90.0)) + (0.5 if parts & heaters else 0.0)


def _unlike(column: Column, regime: Regime) -> float:
    have = [c.seconds for c in column.cells if c is not None]
    usual = sum(have) / len(have)
    ratio = _ratio(usual, regime.seconds)
    alike = [likeness(c.parts, regime.parts) for c in column.cells if c is not None]
    parts = 1.2 * (1.0 - sum(alike) / len(alike))
    if column.parts and regime.parts and ratio > ALIKE_IN_TIME:
        parts = min(
            parts, OTHER_PART
        )  # the same stroke, put down to another small part (a pump, a valve) on another day
    return parts + 0.4 * (1.0 - ratio)


def _absorbed(columns: list[Column]) -> list[Column]:
    """Short phases that only some cycles have are part of a neighbour; neighbours of the same parts are one."""
    width = len(columns[0].cells) if columns else 0
    i = 0
    while i < len(columns):
        column = columns[i]
        rare = column.n < width and (column.longest_s < 45 or column.n * 2 < width)
        if (rare or column.longest_s < 12) and len(columns) > 1 and width > 1:
            sides = [k for k in (i - 1, i + 1) if 0 <= k < len(columns)]
            into = max(sides, key=lambda k: (likeness(columns[k].parts, column.parts), columns[k].n))
            merge(columns[into], column)
            columns.pop(i)
            i = max(0, i - 2)
            continue
        if i and columns[i - 1].parts == column.parts:
            merge(columns[i - 1], column)
            columns.pop(i)
            i = max(0, i - 2)
            continue
        i += 1
    return columns


def merge(into: Column, gone: Column) -> None:
    """Two neighbours become one phase; the longer one's parts stand for both."""
    for place, cell in enumerate(gone.cells):
        kept = into.cells[place]
        if cell is None:
            continue
        if kept is None:
            into.cells[place] = cell
        else:
            parts = kept.parts if kept.seconds >= cell.seconds else cell.parts
            into.cells[place] = Regime(min(kept.start_ms, cell.start_ms), max(kept.end_ms, cell.end_ms), parts)
