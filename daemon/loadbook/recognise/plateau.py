"""Plateaus: stretches of steady power. Everything later reads plateaus, so that cost follows switching, not time.

Pure. Powers are integer milliwatts here, so that sums are exact and the cut of the readings into chunks cannot matter.
A new level is believed when two readings running leave the current one by more than ``tolerance_mw``; one reading alone
that comes back is a blip. The level follows slow drift (a heater that decays as it warms) by taking the mean of the
last block of readings, blocks growing from 2 to 64. A ``fine`` finder learns how much the readings of a heater scatter
and, where they stand still, tells a pump's or a drum's step beside it.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

TOLERANCE_MW = 3_000
TOLERANCE_PER_MILLE = 40
LONGEST_BLOCK = 64
FINE_FROM_MW, FINE_MW, FINE_PER_MILLE = 800_000, 3_000, 7
"""From this level on a heater draws; beside it a step is told from so much on, and so much of the level."""
FINE_SCATTER, FINE_BLOCK = 4, 4
"""And from so many times the usual difference between two readings on; the level follows drift in blocks so short."""

SAME, OUTSIDE, BLIP, CHANGED = 0, 1, 2, 3
"""What one reading did: stayed on the level; left it (not yet believed); came back (the one before was a blip);
confirmed a new level."""

IntColumn = npt.NDArray[np.int64]


def tolerance_mw(level_mw: int) -> int:
    """How far a reading may stand from a level and still belong to it, mW: 3 W and 4 % of the level."""
    return TOLERANCE_MW + abs(level_mw) * TOLERANCE_PER_MILLE // 1000


@dataclass(slots=True)
class PlateauFinder:
    """Streaming plateaus. ``level_mw`` is the level now; ``start_ms`` the instant of its first reading.

    ``n`` counts the readings on the level, ``block_n`` and ``block_mw`` the ones since the level was last taken;
    ``out_ms`` and ``out_mw`` are the one reading outside that waits for the next one to be believed.
    """

    fine: bool = False
    scatter_mw: int = -1
    """The usual difference between two readings beside a heater; -1 where it is not known yet."""
    last_mw: int = 0
    block_scatter_mw: int = 0
    open: bool = False
    start_ms: int = 0
    level_mw: int = 0
    n: int = 0
    block_n: int = 0
    block_mw: int = 0
    block_size: int = 2
    out_ms: int = -1
    out_mw: int = 0
    from_mw: int = 0
    from_n: int = 0
    from_last_mw: int = 0
    """The last reading on the old level, after CHANGED."""

    def step(self, at_ms: int, power_mw: int) -> int:
        """Takes one reading and says what it did. After CHANGED the fields describe the new level, ``from_mw`` and
        ``from_n`` the old; after BLIP ``out_mw`` still holds the blip's power."""
        if not self.open:
            self._begin(at_ms, power_mw)
            self.from_mw = self.from_last_mw = power_mw
            return CHANGED
        level = self.level_mw
        if abs(power_mw - level) <= self.tolerance_mw():
            self._add(1, power_mw, abs(power_mw - self.last_mw) if self.fine else 0, power_mw)
            if self.out_ms >= 0:
                self.out_ms = -1
                return BLIP
            return SAME
        if self.out_ms < 0:
            self.out_ms, self.out_mw = at_ms, power_mw
            return OUTSIDE
        start_ms, first_mw, old_mw, old_n = self.out_ms, self.out_mw, level, self.n
        self.from_last_mw = self.last_mw
        near = abs(first_mw - power_mw) <= tolerance_mw(power_mw)
        if not near and abs(first_mw - old_mw) <= tolerance_mw(old_mw):
            start_ms, self.from_last_mw = at_ms, first_mw  # it had drifted: the old level, told too finely
        self._begin(start_ms, power_mw)
        self.from_mw, self.from_n = old_mw, old_n
        if near:
            self.level_mw = (first_mw + power_mw) // 2
            self.n, self.block_n, self.block_mw = 2, 0, 0
        return CHANGED

    @property
    def beside_heater(self) -> bool:
        """Whether the level is told finely, since a heater draws."""
        return self.fine and self.level_mw >= FINE_FROM_MW

    def tolerance_mw(self) -> int:
        """How far a reading may stand from the level now and still belong to it, mW."""
        level = self.level_mw
        coarse = TOLERANCE_MW + abs(level) * TOLERANCE_PER_MILLE // 1000
        if self.scatter_mw < 0 or level < FINE_FROM_MW:
            return coarse
        return min(coarse, max(FINE_MW + level * FINE_PER_MILLE // 1000, FINE_SCATTER * self.scatter_mw))

    def close(self) -> None:
        """Nothing is known any more (a gap): the next reading begins a level of its own."""
        self.open = False
        self.out_ms = -1

    def _begin(self, at_ms: int, power_mw: int) -> None:
        self.open, self.start_ms, self.level_mw = True, at_ms, power_mw
        self.n, self.block_n, self.block_mw, self.block_size = 1, 0, 0, 2
        self.last_mw, self.block_scatter_mw = power_mw, 0
        self.out_ms = -1

    def _add(self, n: int, sum_mw: int, scatter_mw: int, last_mw: int) -> None:
        """``n`` readings on the level, their sum, the sum of their differences one from another, the last of them."""
        self.n += n
        self.block_n += n
        self.block_mw += sum_mw
        self.last_mw = last_mw
        self.block_scatter_mw += scatter_mw
        if self.block_n >= self.block_size:
            self.level_mw = self.block_mw // self.block_n
            longest = LONGEST_BLOCK
            if self.fine and self.level_mw >= FINE_FROM_MW:
                longest = FINE_BLOCK
                scatter_mw = self.block_scatter_mw // self.block_n
                self.scatter_mw = scatter_mw if self.scatter_mw < 0 else (3 * self.scatter_mw + scatter_mw) // 4
            self.block_n = self.block_mw = self.block_scatter_mw = 0
            self.block_size = min(self.block_size * 2, longest)

    def skip(self, powers: Powers, first: int, last: int) -> int:
        """Takes readings ``first`` up to, but not including, the first one that ``step`` would not call SAME, and
        none from ``last`` on. Returns the index of the reading to go on with."""
        if not self.open or self.out_ms >= 0:
            return first
        at = first
        while at < last:
            room = min(last, at + self.block_size - self.block_n)
            tol = self.tolerance_mw()
            stop = powers.first_outside(at, room, self.level_mw - tol, self.level_mw + tol)
            if stop > at:
                scatter_mw = powers.scatter(at, stop, self.last_mw) if self.fine else 0
                self._add(stop - at, powers.sum(at, stop), scatter_mw, powers.listed[stop - 1])
            if stop < room:
                return stop
            at = stop
        return at

    def save(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def restore(cls, state: dict[str, Any]) -> PlateauFinder:
        return cls(**state)


LOOK_ONE_BY_ONE = 12


@dataclass(slots=True)
class Powers:
    """A chunk of powers as integer milliwatts, ready for skipping: the column, the same as a list, and its sums."""

    column: IntColumn
    listed: list[int]
    sums: IntColumn
    steps: IntColumn
    """Sums of the differences between neighbours, up to each."""

    @classmethod
    def of(cls, column: IntColumn) -> Powers:
        """``column`` int64[n] mW. ``sums`` is int64[n + 1], its first element 0."""
        sums = np.empty(column.shape[0] + 1, dtype=np.int64)
        sums[0] = 0
        np.cumsum(column, out=sums[1:])
        steps = np.zeros(column.shape[0], dtype=np.int64)
        np.cumsum(np.abs(np.diff(column)), out=steps[1:])
        return cls(column, column.tolist(), sums, steps)

    def sum(self, first: int, last: int) -> int:
        """Sum of readings ``first`` to ``last - 1``, mW."""
        return int(self.sums[last]) - int(self.sums[first])

    def scatter(self, first: int, last: int, before_mw: int) -> int:
        """Sum of the differences between readings ``first`` to ``last - 1``, and from ``before_mw`` to the first."""
        return abs(self.listed[first] - before_mw) + int(self.steps[last - 1]) - int(self.steps[first])

    def first_outside(self, first: int, last: int, low_mw: int, high_mw: int) -> int:
        """Index of the first reading below ``low_mw`` or above ``high_mw``; ``last`` where there is none."""
        near = min(last, first + LOOK_ONE_BY_ONE)
        listed = self.listed
        for at in range(first, near):
            if not low_mw <= listed[at] <= high_mw:
                return at
        if near == last:
            return last
        block = self.column[near:last]
        outside = (block < low_mw) | (block > high_mw)
        at = int(outside.argmax())
        return near + at if outside[at] else last


def first_at_or_after(times_ms: list[int], at_ms: int, first: int) -> int:
    """Index of the first time at or after ``at_ms``, searching from ``first``."""
    return bisect_left(times_ms, at_ms, first)
