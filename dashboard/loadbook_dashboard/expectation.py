"""What a phase should draw, as pages show it: the levels its chart allows, at the supply the phase had.

Pure: the supply's voltage is handed in as an envelope of readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from loadbook.judge.expected import Band, Draw, bands, draws
from loadbook.judge.limits import Limits
from loadbook.machine import Machine, PhaseChart
from loadbook.store.readings import Envelope

COLUMNS = 600
"""Slices of a cycle in which its supply is looked at: some 15 s of a long one."""


@dataclass(frozen=True, slots=True)
class Supply:
    """The supply's voltage over a cycle; nothing known where ``envelope`` is None."""

    envelope: Envelope | None = None

    def mean_v(self, start_ms: int | None, end_ms: int | None) -> float | None:
        """Mean of [start_ms, end_ms), of the whole where no phase is meant; None where no voltage was read."""
        seen = self.envelope
        if seen is None:
            return None
        first, last = 0, len(seen.mean)
        if start_ms is not None and end_ms is not None:
            width_ms = max(seen.end_ms - seen.start_ms, 1) / max(last, 1)
            first = int((start_ms - seen.start_ms) / width_ms)
            last = max(first + 1, int(np.ceil((end_ms - seen.start_ms) / width_ms)))
        mean, count = seen.mean[max(first, 0) : last], seen.readings[max(first, 0) : last]
        there = np.isfinite(mean) & (count > 0)
        return float(np.average(mean[there], weights=count[there])) if there.any() else None


def levels_of(machine: Machine | None, row: PhaseChart | None) -> list[Draw]:
    """The levels a charted phase may stand on; none without a chart, or where its chart names no part at all."""
    if machine is None or row is None or not machine.components:
        return []
    return draws(machine, row, Limits())


def expected(levels: list[Draw], volts: float | None) -> list[Band]:
    """The same as bands of watts at a supply voltage, ascending; none where nothing is expected."""
    return bands(levels, volts) if levels else []


def as_json(levels: list[Draw]) -> list[list[float]]:
    """The levels for the chart's script: ``[a, b, c, d, e, f]`` is a + b V² to c + d V², e to f where V is unknown."""
    return [[round(x, 6) for x in (*level.low, *level.high, *level.unknown)] for level in levels]
