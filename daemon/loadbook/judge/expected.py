"""What a charted phase should draw at a given supply: the rating plates of the parts that belong in it.

Pure. For whoever draws or tells the expectation; findings are made by ``judge.parts`` from the same bands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from loadbook.judge.bands import Part, parts_of
from loadbook.judge.limits import Limits
from loadbook.machine import Machine, PhaseChart

MOST_PULSING = 5
"""Of more parts that pulse in one phase only none and all of them are told apart: 32 levels say nothing to anybody."""

Band = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Draw:
    """One level a phase may stand on: with these parts on, the whole machine draws ``low[0] + low[1] V²`` to
    ``high[0] + high[1] V²``, W. ``unknown`` is the band in W where nobody knows the supply (it may be 10 % off)."""

    on: tuple[str, ...]
    low: tuple[float, float]
    high: tuple[float, float]
    unknown: Band

    def at(self, volts: float | None) -> Band:
        """The band at a supply voltage, W."""
        if volts is None:
            return self.unknown
        square = volts * volts
        return self.low[0] + self.low[1] * square, self.high[0] + self.high[1] * square


def draws(machine: Machine, phase: PhaseChart, limits: Limits) -> list[Draw]:
    """Every level a phase may stand on, ascending: the parts that are on, with each choice of those that pulse.

    The machine itself may draw up to its standby on top. A part without a lower limit (motors, small parts; IEC
    60335-1, table 1) may fall to ``limits.missing_fraction`` of its plate, below which it is missing. Where the chart
    states the band of the whole machine (``power_w``), that is the one level; what it leaves open, the plates say.
    """
    known = {part.id: part for part in parts_of(machine, limits.missing_fraction)}
    base_w = limits.at_standby_w(machine.machine.standby_w)
    found = [_draw([known[i] for i in (*phase.on, *some)], base_w) for some in _choices(phase.pulsing)]
    if phase.power_w is not None:
        return [_stated(phase, found)]
    return sorted(found, key=lambda draw: draw.unknown)


def _choices(pulsing: tuple[str, ...]) -> list[tuple[str, ...]]:
    if len(pulsing) > MOST_PULSING:
        return [(), pulsing]
    choices: list[tuple[str, ...]] = [()]
    for part in pulsing:
        choices += [(*some, part) for some in choices]
    return choices


def _draw(parts: Sequence[Part], base_w: float) -> Draw:
    low, high = [0.0, 0.0], [base_w, 0.0]
    unknown_low, unknown_high = 0.0, base_w
    for part in parts:
        least_w = part.least_w if part.low_w is None else part.low_w
        if part.resistive:
            square = part.rated_v * part.rated_v
            low[1] += least_w / square
            high[1] += part.high_w / square
        else:
            low[0] += least_w
            high[0] += part.high_w
        weak, strong = part.supply(None)
        unknown_low += least_w * weak
        unknown_high += part.high_w * strong
    return Draw(tuple(p.id for p in parts), (low[0], low[1]), (high[0], high[1]), (unknown_low, unknown_high))


def _stated(phase: PhaseChart, plates: list[Draw]) -> Draw:
    least = min(plates, key=lambda draw: draw.unknown[0])
    most = max(plates, key=lambda draw: draw.unknown[1])
    low, high = least.low, most.high
    unknown_low, unknown_high = least.unknown[0], most.unknown[1]
    if phase.power_w is not None and phase.power_w.low is not None:
        low, unknown_low = (phase.power_w.low, 0.0), phase.power_w.low
    if phase.power_w is not None and phase.power_w.high is not None:
        high, unknown_high = (phase.power_w.high, 0.0), phase.power_w.high
    return Draw((*phase.on, *phase.pulsing), low, high, (unknown_low, unknown_high))


def bands(levels: Sequence[Draw], volts: float | None) -> list[Band]:
    """What the levels allow at a supply voltage, ascending, overlapping ones made one. W."""
    found: list[Band] = []
    for low, high in sorted(level.at(volts) for level in levels):
        if found and low <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], high))
        else:
            found.append((low, high))
    return found
