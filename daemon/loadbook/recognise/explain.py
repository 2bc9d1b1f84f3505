"""Which parts were on: each level of a known-good log explained by the rating plates.

Pure, and for whole logs only (learning and comparing look back). Every subset of the parts is a state; the cheapest
path through the levels is taken, by how well a state's watts fit the level and how well what switched fits the step.
A motor may draw anything from a fifth of its plate, so a level alone tells little; the step beside it tells more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from loadbook.machine import Component, Machine
from loadbook.reading import HOLD_MS, Series
from loadbook.recognise.chunk import thousandths
from loadbook.recognise.plateau import CHANGED, PlateauFinder, Powers
from loadbook.recognise.texture import SMALL_W

MOST_PARTS = 8
"""More parts than this and the largest are taken: 256 states are enough for one machine."""
LOW: dict[str, float] = {"resistive": 0.85, "motor": 0.20, "solenoid": 0.40, "electronics": 0.20}
HIGH: dict[str, float] = {"resistive": 1.10, "motor": 1.25, "solenoid": 1.25, "electronics": 1.40}
"""A little wider than IEC 60335-1 table 1 allows, as fractions of the plate."""
SWITCH_COST = 0.5
PART_COST = 0.05
MISFIT_MOST = 8.0
ODD_COST = 1.5
BASE_MOST_W = 6.0
RUN_MS = 20_000
SEEN_S = 2.0
"""A level that lasted less is a ramp, and shows no part."""
CLOSENESS = 0.8
CLOSENESS_MOST = 5.0

Floats = npt.NDArray[np.float64]


@dataclass(slots=True)
class Level:
    """One steady level: from, to, its watts, and the parts that explain it."""

    start_ms: int
    end_ms: int
    power_w: float
    volts: float | None
    amps: float | None = None
    parts: frozenset[str] = frozenset()

    @property
    def seconds(self) -> float:
        return (self.end_ms - self.start_ms) / 1000


def levels_of(series: Series, start_ms: int, end_ms: int) -> list[Level]:
    """The levels between two instants; a gap ends the level before it."""
    first, last = np.searchsorted(series.at_ms, [start_ms, end_ms])
    part = series.slice(int(first), int(last) + 1)
    times = part.at_ms.tolist()
    powers = Powers.of(thousandths(part.power_w))
    finder, edges = PlateauFinder(), []
    for i, (at_ms, power_mw) in enumerate(zip(times, powers.listed, strict=True)):
        if i and at_ms - times[i - 1] > HOLD_MS:
            edges.append((times[i - 1] + HOLD_MS, True))
            finder.close()
        if finder.step(at_ms, power_mw) == CHANGED:
            edges.append((finder.start_ms, False))
    edges.append((times[-1] if times else end_ms, True))
    levels = []
    for (at_ms, silent), (until_ms, _) in pairwise(edges):
        left, right = np.searchsorted(part.at_ms, [at_ms, until_ms])
        if silent or right <= left:
            continue
        volts, amps = _median(part.voltage_v, left, right), _median(part.current_a, left, right)
        levels.append(Level(at_ms, until_ms, float(np.median(part.power_w[left:right])), volts, amps))
    return levels


def _median(column: Floats | None, left: np.intp, right: np.intp) -> float | None:
    if column is None or np.isnan(column[left:right]).all():
        return None
    return float(np.nanmedian(column[left:right]))


def explain(levels: Sequence[Level], machine: Machine) -> None:
    """Sets ``parts`` of every level: once by the plates, then again by what the heaters were seen to draw."""
    parts = sorted(machine.components, key=lambda p: -p.rated_w)[:MOST_PARTS]
    if not parts or not levels:
        return
    states = 1 << len(parts)
    member = ((np.arange(states)[:, None] >> np.arange(len(parts))) & 1).astype(np.float64)
    low = np.array([LOW[p.nature] for p in parts])
    high = np.array([HIGH[p.nature] for p in parts])
    rated = np.array([p.rated_w for p in parts])
    for _ in range(2):
        path = _cheapest(levels, machine, parts, member, (rated, low, high))
        for level, state in zip(levels, path, strict=True):
            level.parts = frozenset(p.id for i, p in enumerate(parts) if state >> i & 1)
        for i, part in enumerate(parts):
            if part.nature == "resistive" and (seen := measured_w(levels, machine, part)):
                rated[i], low[i], high[i] = float(np.median(seen)), 0.98, 1.02
    beside_large(levels, parts)


def beside_large(levels: Sequence[Level], parts: Sequence[Component]) -> None:
    """A pump or a valve beside a motor or a heater is not seen in the level: it draws on where it draws on both
    sides, and not where it draws on neither; on one side only, no longer than a stroke."""
    large = {p.id for p in parts if p.rated_w > SMALL_W}
    small = {p.id for p in parts} - large
    seen = [k for k, level in enumerate(levels) if not level.parts & large and level.seconds >= SEEN_S]
    for left, right in pairwise(seen):
        on_both = levels[left].parts & levels[right].parts & small
        off = small - levels[left].parts - levels[right].parts
        if right > left + 1 and levels[right].start_ms - levels[left].end_ms > RUN_MS:
            off = small - on_both
        for level in levels[left + 1 : right]:
            level.parts = (level.parts - off) | on_both


def base_of(levels: Sequence[Level], machine: Machine) -> float:
    """What the controls draw while a programme runs, W: its lowest levels, a few watts above standby at most."""
    standby_w = machine.machine.standby_w or 0.0
    ranked = sorted((level.power_w, level.seconds) for level in levels if level.seconds >= 3.0)
    total_s = sum(seconds for _, seconds in ranked)
    passed_s = 0.0
    for power_w, seconds in ranked:
        passed_s += seconds
        if passed_s >= 0.01 * total_s:
            return min(max(power_w, standby_w), standby_w + BASE_MOST_W)
    return standby_w


def measured_w(levels: Sequence[Level], machine: Machine, part: Component) -> list[float]:
    """What a part draws, from the steps at which it alone switched, W (a resistive one at its rated voltage)."""
    seen = []
    for before, after in pairwise(levels):
        if before.parts ^ after.parts != {part.id} or after.start_ms - before.end_ms > 1000:
            continue
        if min(before.seconds, after.seconds) < 4.0:
            continue
        on = after if part.id in after.parts else before
        scale = (machine.rated_voltage_v(part) / on.volts) ** 2 if on.volts and part.nature == "resistive" else 1.0
        seen.append(abs(after.power_w - before.power_w) * scale)
    return seen


def _watts(parts: Sequence[Component], machine: Machine, rated: Floats, volts: float | None) -> Floats:
    """What each part draws at this supply."""
    scale = [(volts / machine.rated_voltage_v(p)) ** 2 if volts and p.nature == "resistive" else 1.0 for p in parts]
    return np.asarray(rated * np.array(scale), dtype=np.float64)


def _cheapest(
    levels: Sequence[Level],
    machine: Machine,
    parts: Sequence[Component],
    member: Floats,
    band: tuple[Floats, Floats, Floats],
) -> list[int]:
    """The path of states through the levels; ``band`` is each part's watts and what it may draw, as fractions."""
    rated, low, high = band
    base_w = base_of(levels, machine)
    motor = np.array([p.nature == "motor" for p in parts], dtype=np.float64)
    odd = _odd(parts, member, machine)
    toggled = member[None, :, :] - member[:, None, :]  # from state, to state, part
    on, off = np.maximum(toggled, 0.0), np.maximum(-toggled, 0.0)
    count = np.abs(toggled).sum(axis=2)
    stays = member[None, :, :] * member[:, None, :]
    cost: Floats | None = None
    back: list[npt.NDArray[np.int64]] = []
    before: Level | None = None
    for level in levels:
        watts = _watts(parts, machine, rated, level.volts)
        fit = _fit(level, member, (watts, low, high), base_w) + odd * min(1.0, level.seconds / 6.0)
        if cost is None or before is None or level.start_ms - before.end_ms > 1000:
            start = fit if cost is None else fit + cost.min()
            back.append(np.full(len(member), 0 if cost is None else int(cost.argmin())))
            cost, before = start, level
            continue
        step_w = level.power_w - before.power_w
        slack = 3.0 + 0.03 * max(level.power_w, before.power_w)
        drift = stays @ (motor * watts) * 0.6 + slack
        least = on @ (low * watts) - off @ (high * watts) - drift
        most = on @ (high * watts) - off @ (low * watts) + drift
        miss = np.maximum(least - step_w, step_w - most).clip(min=0.0)
        nominal = (on - off) @ watts
        off_by = np.abs(step_w - nominal) / (abs(step_w) + 20.0)
        switch = SWITCH_COST * count + np.minimum(miss / slack, MISFIT_MOST) + np.where(count > 0, 0.8 * off_by, 0.0)
        total = cost[:, None] + switch
        choice = total.argmin(axis=0)
        cost = total[choice, np.arange(len(member))] + fit
        back.append(choice)
        before = level
    assert cost is not None
    state = int(cost.argmin())
    path = [state]
    for choice in reversed(back[1:]):
        state = int(choice[state])
        path.append(state)
    return path[::-1]


def _odd(parts: Sequence[Component], member: Floats, machine: Machine) -> Floats:
    """States no programme asks for: a drain pump while water is heated or let in; in a washer, whose one motor is
    written as several parts for its several loads, two of them at once."""
    pumps = np.array([p.nature == "motor" and p.rated_w <= SMALL_W for p in parts], dtype=np.float64)
    water = np.array([p.nature in ("resistive", "solenoid") for p in parts], dtype=np.float64)
    odd = (member @ pumps > 0) & (member @ water > 0)
    if machine.machine.kind == "washing_machine":
        drum = np.array([p.nature == "motor" and p.rated_w > SMALL_W for p in parts], dtype=np.float64)
        odd |= member @ drum > 1
    return np.asarray(np.where(odd, ODD_COST, 0.0), dtype=np.float64)


def band_sigma(low: Floats, high: Floats) -> Floats:
    """How far a part may usually stand from its figure, as a fraction: a third of its band, mostly its lower side."""
    return np.asarray((high - low) / 3.0, dtype=np.float64)


def _fit(level: Level, member: Floats, band: tuple[Floats, Floats, Floats], base_w: float) -> Floats:
    """How badly each state's watts fit the level; a level that lasts counts for more."""
    watts, low, high = band
    drawn = max(level.power_w - base_w, 0.0)
    slack = 3.0 + 0.02 * drawn
    least, most, usual = member @ (low * watts), member @ (high * watts), member @ watts
    miss = np.maximum(least - drawn, drawn - most).clip(min=0.0) / slack
    spread = np.sqrt(9.0 + member @ (band_sigma(low, high) * watts) ** 2)
    closeness = np.minimum(np.abs(drawn - usual) / spread, CLOSENESS_MOST)
    weight = min(1.0, level.seconds / 6.0) + min(1.0, level.seconds / 120.0)
    result: Floats = weight * (np.minimum(miss, MISFIT_MOST) + CLOSENESS * closeness) + PART_COST * member.sum(axis=1)
    return result
