"""Two sets of cycles of one programme, phase by phase: time, energy, level, heater resistance, and what differs beyond
the normal spread (before and after a repair; this week against last year).

Pure. Matched by the chart's phases where there is a chart, else by the order of the stages.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from statistics import mean, pstdev
from typing import Any

from loadbook.events import Cycle
from loadbook.reading import Series
from loadbook.recognise.explain import Level, levels_of
from loadbook.recognise.heater import resistance_of
from loadbook.recognise.regimes import Regime, aligned

NORMAL: dict[str, tuple[float, float]] = {
    "time_s": (0.15, 20.0),
    "energy_kwh": (0.10, 0.005),
    "power_w": (0.06, 3.0),
    "resistance_ohm": (0.03, 0.2),
}
"""What may differ between two healthy cycles of one machine and mean nothing: as a share, and at least so much.
Common practice, no source; a class 1 meter is good to 1 %, a motor varies with its load, water with its pressure."""
NORMAL_OF_STAGE: dict[tuple[str, str], float] = {
    ("fill", "time_s"): 0.40,
    ("drain", "time_s"): 0.40,
    ("heat", "time_s"): 0.25,
    ("dry", "time_s"): 0.30,
    ("spin", "time_s"): 0.40,
    ("rinse", "time_s"): 0.25,
    ("spin", "power_w"): 0.40,
    ("wait", "time_s"): 0.60,
    ("drain", "power_w"): 0.25,
    ("wash", "power_w"): 0.20,
    ("rinse", "power_w"): 0.20,
    ("heat", "energy_kwh"): 0.20,
    ("spin", "energy_kwh"): 0.40,
    ("wash", "energy_kwh"): 0.25,
    ("rinse", "energy_kwh"): 0.30,
    ("wait", "energy_kwh"): 0.60,
    ("dry", "energy_kwh"): 0.30,
    ("cool", "power_w"): 0.20,
    ("wait", "power_w"): 0.30,
}
"""Wider where load, water pressure or incoming temperature decide."""
SPREADS = 3.0
"""And at least three standard deviations of what each side shows by itself."""
QUANTITIES = tuple(NORMAL)


@dataclass(frozen=True, slots=True)
class Measured:
    """One quantity on one side: the mean over ``n`` cycles and the standard deviation between them."""

    value: float
    n: int
    spread: float


@dataclass(slots=True)
class PhaseCompared:
    """One phase, or with ``stage`` ``cycle`` the whole cycle, on both sides, by quantity; a side that lacks the phase
    has nothing."""

    id: str
    stage: str
    a: dict[str, Measured] = field(default_factory=dict)
    b: dict[str, Measured] = field(default_factory=dict)
    a_cycles: int = 0
    b_cycles: int = 0

    @property
    def differs(self) -> list[str]:
        """Quantities that differ beyond the normal spread; ``presence`` where one side always lacks the phase."""
        if (self.a_cycles == 0) != (self.b_cycles == 0):
            return ["presence"]
        out = []
        for quantity in QUANTITIES:
            if quantity in self.a and quantity in self.b and self.beyond(quantity):
                out.append(quantity)
        return out

    def beyond(self, quantity: str) -> bool:
        """Whether the two means stand farther apart than the normal spread."""
        a, b = self.a[quantity], self.b[quantity]
        share, least = NORMAL[quantity]
        share = NORMAL_OF_STAGE.get((self.stage, quantity), share)
        normal = max(share * max(abs(a.value), abs(b.value)), least)
        own = SPREADS * (a.spread**2 / a.n + b.spread**2 / b.n) ** 0.5
        enough = min(a.n, b.n) >= 3  # what the cycles show by themselves says more than the table, where it can
        limit = max(own, least, 0.02 * abs(a.value)) if enough else max(normal, own)
        return bool(abs(b.value - a.value) > limit)

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "id": self.id,
            "stage": self.stage,
            "a": _side(self.a, self.a_cycles),
            "b": _side(self.b, self.b_cycles),
            "differs": self.differs,
        }


def _side(measured: dict[str, Measured], cycles: int) -> dict[str, Any] | None:
    if not cycles:
        return None
    digits = {"time_s": 1, "energy_kwh": 6, "power_w": 2, "resistance_ohm": 3}
    out: dict[str, Any] = {"cycles": cycles}
    for quantity in QUANTITIES:
        out[quantity] = round(measured[quantity].value, digits[quantity]) if quantity in measured else None
    return out


@dataclass(slots=True)
class Comparison:
    """The whole cycle first, then its phases in order."""

    programme: str | None
    whole: PhaseCompared
    phases: list[PhaseCompared]

    @property
    def differs(self) -> bool:
        return bool(self.whole.differs) or any(p.differs for p in self.phases)

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "programme": self.programme,
            "cycle": self.whole.as_dict(),
            "phases": [p.as_dict() for p in self.phases],
            "differs": self.differs,
        }


@dataclass(slots=True)
class Measuring:
    """A cycle and its levels: what comparing needs of it."""

    cycle: Cycle
    levels: list[Level]


def measuring(cycle: Cycle, series: Series) -> Measuring:
    """``series`` holds at least the cycle's readings."""
    return Measuring(cycle, levels_of(series, cycle.start_ms, cycle.end_ms))


def compare(a: Sequence[Measuring], b: Sequence[Measuring]) -> Comparison:
    """Cycles of one programme on each side; at least one each."""
    charted = all(p.id is not None for m in (*a, *b) for p in m.cycle.phases)
    columns = _by_id([*a, *b]) if charted else _by_order([*a, *b])
    phases = []
    for phase_id, stage, cells in columns:
        row = PhaseCompared(phase_id, stage)
        left, right = cells[: len(a)], cells[len(a) :]
        row.a, row.a_cycles = _measure(a, left, stage)
        row.b, row.b_cycles = _measure(b, right, stage)
        if row.a_cycles or row.b_cycles:
            phases.append(row)
    whole = PhaseCompared("cycle", "cycle")
    for side, name in ((a, "a"), (b, "b")):
        cells = [(m.cycle.start_ms, m.cycle.end_ms, m.cycle.energy_kwh) for m in side]
        measured, n = _measure(side, cells, "cycle")
        measured.pop("power_w", None)
        setattr(whole, name, measured)
        setattr(whole, f"{name}_cycles", n)
    programmes = {m.cycle.programme for m in (*a, *b)}
    return Comparison(programmes.pop() if len(programmes) == 1 else None, whole, phases)


Cell = tuple[int, int, float | None] | None
"""(from, to, kWh) of one phase in one cycle."""


def _cell(cycle: Cycle, place: int) -> Cell:
    phase = cycle.phases[place]
    if phase.start_ms is None or phase.end_ms is None:
        return None
    return phase.start_ms, phase.end_ms, phase.energy_kwh


def _by_id(every: Sequence[Measuring]) -> list[tuple[str, str, list[Cell]]]:
    longest = max(every, key=lambda m: len(m.cycle.phases))
    order = [(p.id or "", p.stage) for p in longest.cycle.phases]
    for m in every:
        order += [(p.id or "", p.stage) for p in m.cycle.phases if (p.id or "", p.stage) not in order]
    out = []
    for phase_id, stage in dict.fromkeys(order):
        cells: list[Cell] = []
        for m in every:
            place = next((i for i, p in enumerate(m.cycle.phases) if p.id == phase_id), None)
            cells.append(None if place is None else _cell(m.cycle, place))
        out.append((phase_id, stage, cells))
    return out


def _by_order(every: Sequence[Measuring]) -> list[tuple[str, str, list[Cell]]]:
    rows, place_of = [], {}
    for m in every:
        row = []
        for i, phase in enumerate(m.cycle.phases):
            if phase.start_ms is not None and phase.end_ms is not None:
                regime = Regime(phase.start_ms, phase.end_ms, frozenset({phase.stage}))
                place_of[id(regime)] = i
                row.append(regime)
        rows.append(row)
    out: list[tuple[str, str, list[Cell]]] = []
    counts: dict[str, int] = {}
    for column in aligned(rows):
        stage = next(iter(column.parts), "wait")
        counts[stage] = counts.get(stage, 0) + 1
        name = stage if counts[stage] == 1 else f"{stage}-{counts[stage]}"
        cells = [
            None if cell is None else _cell(m.cycle, place_of[id(cell)])
            for m, cell in zip(every, column.cells, strict=True)
        ]
        out.append((name, stage, cells))
    return out


def _measure(side: Sequence[Measuring], cells: Sequence[Cell], stage: str) -> tuple[dict[str, Measured], int]:
    values: dict[str, list[float]] = {quantity: [] for quantity in QUANTITIES}
    n = 0
    for m, cell in zip(side, cells, strict=True):
        if cell is None:
            continue
        n += 1
        start_ms, end_ms, energy_kwh = cell
        values["time_s"].append((end_ms - start_ms) / 1000)
        if energy_kwh is not None:
            values["energy_kwh"].append(energy_kwh)
        inside = [lv for lv in m.levels if lv.start_ms < end_ms and lv.end_ms > start_ms]
        if (level_w := _level_w(inside, start_ms, end_ms)) is not None:
            values["power_w"].append(level_w)
        if stage in ("heat", "dry", "hold", "cycle") and (ohm := resistance_of(inside)) is not None:
            values["resistance_ohm"].append(ohm)
    return {q: _mean(v) for q, v in values.items() if v}, n


def _level_w(levels: Iterable[Level], start_ms: int, end_ms: int) -> float | None:
    """The draw that is usual in a phase while something is on: the median by time of its upper half."""
    shares = sorted(
        (lv.power_w, min(lv.end_ms, end_ms) - max(lv.start_ms, start_ms)) for lv in levels if lv.seconds >= 1.0
    )
    total = sum(ms for _, ms in shares)
    passed = 0
    for power_w, ms in shares:
        passed += ms
        if passed >= 0.75 * total:
            return power_w
    return None


def _mean(values: Sequence[float]) -> Measured:
    return Measured(mean(values), len(values), pstdev(values) if len(values) > 1 else 0.0)
