"""Energy from readings, in one place: one step at a time, or a whole log at once.

Pure. Power is held until the next reading, for at most 10 s; across a longer gap the meter's counter says what flowed,
where it has one; else the rest of the gap is unknown and left out (contract, section 4).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from loadbook.reading import HOLD_MS, Series

MS_PER_H = 3_600_000.0


def step_wh(dt_ms: int, power_w: float, counter_wh: float | None = None, next_counter_wh: float | None = None) -> float:
    """Energy in Wh between a reading and the next one ``dt_ms`` later.

    A counter that runs backwards (reset, roll-over) says nothing about the gap.
    """
    if dt_ms > HOLD_MS and counter_wh is not None and next_counter_wh is not None and next_counter_wh >= counter_wh:
        return next_counter_wh - counter_wh
    return power_w * min(max(dt_ms, 0), HOLD_MS) / MS_PER_H


def flow_wh(series: Series) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    """Of each of the n - 1 steps of a log without empty powers: its energy in Wh and for how many ms that flowed.

    A held power flows for the step, at most for the hold; what a counter says about a gap is spread over the gap.
    """
    dt_ms = np.diff(series.at_ms)
    held_ms = np.clip(dt_ms, 0, HOLD_MS)
    held_wh = np.asarray(series.power_w[:-1] * held_ms / MS_PER_H, dtype=np.float64)
    if series.energy_wh is None:
        return held_wh, held_ms
    counted = np.diff(series.energy_wh)
    use = (dt_ms > HOLD_MS) & (counted >= 0)  # NaN compares false: no counter, no use
    return np.asarray(np.where(use, counted, held_wh), dtype=np.float64), np.where(use, dt_ms, held_ms)


def steps_wh(series: Series) -> npt.NDArray[np.float64]:
    """Energy in Wh of each of the n - 1 steps of a log without empty powers (shape ``[n - 1]``)."""
    return flow_wh(series)[0]
