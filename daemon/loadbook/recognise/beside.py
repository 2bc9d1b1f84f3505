"""What a step tells beside a heater that stays on: whatever the heater draws, it draws on both sides of the step.

Pure. What stands on a heater of which nobody knows the watts is not told by the level, but what comes on or goes off
beside it is told by the step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from loadbook.machine import Machine
from loadbook.recognise.chart_model import PhaseModel
from loadbook.recognise.levels import Levels
from loadbook.recognise.options import Options
from loadbook.recognise.stretch import Stretch

STEP_W, STEP_SHARE = 4.0, 0.004
"""So closely is a step told, and so much of the level: the supply moves a heater's watts, and it fades as it warms."""
FLOW_SHARE, LOAD_SHARE = 0.2, 0.6
"""By so much of what it usually draws may a steady part move while it is on; and one that pulses."""
USUAL_LOW, USUAL_HIGH = 0.6, 1.4
"""A part comes on or goes off with so much of what it usually draws, where that was seen."""


@dataclass(slots=True)
class Drew:
    """What drew in a story at the last level that was no transition, as a mask, and since when; and before that level,
    which began at ``level_ms``."""

    mask: int = 0
    since_ms: int = 0
    before_mask: int = 0
    before_ms: int = 0
    level_ms: int = 0

    def until(self, level_ms: int) -> tuple[int, int]:
        """What drew before the level that began then, and since when."""
        return (self.before_mask, self.before_ms) if self.level_ms == level_ms else (self.mask, self.since_ms)

    def see(self, mask: int, level_ms: int) -> None:
        """What draws at the level that began then, or at more of it."""
        if self.level_ms != level_ms:
            self.before_mask, self.before_ms, self.level_ms = self.mask, self.since_ms, level_ms
        self.mask, self.since_ms = mask, self.before_ms if mask == self.before_mask else level_ms


def told(options: Options, mask: int, odds: Callable[[int], float] | None) -> int:
    """Which parts the step makes draw, as a mask. A level may be explained by others, for a while or at a price; what
    switched is told by the step all the same."""
    if odds is None or not odds(mask):
        return mask
    return min((odds(o.mask), len(o.faults), o.z, o.mask) for o in options.every)[3]


def steps_tell(machine: Machine) -> bool:
    """Whether a heater runs in a phase without a motor that comes and goes: then what switches beside it is told."""
    natures = {part.id: part.nature for part in machine.components}
    return any(
        "resistive" in [natures[i] for i in (*phase.on, *phase.pulsing)]
        and "motor" not in [natures[i] for i in phase.pulsing]
        for programme in machine.programmes
        for phase in programme.phases
    )


def step_tol_w(levels: Levels, stretch: Stretch) -> float:
    """How closely a step is told, W."""
    return STEP_W + levels.resolution_w + STEP_SHARE * stretch.level_w


def tells(levels: Levels, stretch: Stretch) -> bool:
    """Whether something else than a heater has come on or gone off for certain, be it small."""
    return step_tol_w(levels, stretch) < abs(stretch.jump_w) <= levels.chart.cold_w


def missed_w(levels: Levels, phase: PhaseModel, before: int, after: int, stretch: Stretch) -> float:
    """By how many watts the step is not what the parts in ``after`` draw more than those in ``before``, both masks; 0
    where no heater stays on, or the step is larger than all others together: then it is the heater's own."""
    chart = levels.chart
    heaters = chart.resistive_mask
    if not before & after & heaters or (before ^ after) & heaters or abs(stretch.jump_w) > chart.cold_w:
        return 0.0
    low = high = 0.0
    for i in range(len(chart.parts)):
        was, is_on = before >> i & 1, after >> i & 1
        if heaters >> i & 1 or not (was or is_on):
            continue
        least, most = levels.draws_w(i, USUAL_LOW, USUAL_HIGH)
        if was and is_on:
            moves = levels.usual(i, stretch.volts) * (LOAD_SHARE if phase.pulsing_mask >> i & 1 else FLOW_SHARE)
            low, high = low - moves, high + moves
        elif is_on:
            low, high = low + least, high + most
        else:
            low, high = low - most, high - least
    return max(0.0, low - stretch.jump_w, stretch.jump_w - high)


def odd(levels: Levels, phase: PhaseModel, before: int, after: int, stretch: Stretch) -> float:
    """How odd that is: 0 where the step is told no closer than that, 1 from twice as much."""
    missed = missed_w(levels, phase, before, after, stretch)
    return 0.0 if not missed else min(1.0, max(0.0, missed / step_tol_w(levels, stretch) - 1.0))
