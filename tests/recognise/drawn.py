"""Made-up logs for tests: levels with reversing strokes and a little noise, drawn by hand, no machine in particular.

Figures are common practice of the trade (no source): drain pump 20 to 30 W, valve 7 W over a few watts of controls,
circulation 75 to 140 W, heater about 2 kW, drum strokes 6 to 19 s with pauses of 5 to 10 s.
"""

from __future__ import annotations

import numpy as np
from loadbook.assessor import Assessor
from loadbook.events import Alert, AlertChanged, Cycle, CycleChanged, Event
from loadbook.machine import Machine
from loadbook.reading import Series

START_MS = 1_930_370_400_000
ON_W = 3.0
OFF_W = 0.4

Step = tuple[float, float]
"""Seconds at watts."""


def strokes(seconds: float, on_w: float, floor_w: float = ON_W, on_s: float = 12, off_s: float = 7) -> list[Step]:
    """A reversing drum."""
    out: list[Step] = []
    while sum(s for s, _ in out) < seconds:
        out += [(on_s, on_w), (off_s, floor_w)]
    return out


def dishwasher(on_w: float = ON_W, drying_s: float = 1500, last_drain: bool = True) -> list[Step]:
    """Fill, wash, heat, wash, change of water, rinse, hot rinse, drain, passive drying, last drain."""
    steps = [(60, on_w + 25), (90, on_w + 7), (200, 95), (1200, 2050), (600, 92), (60, on_w + 24), (80, on_w + 7)]
    steps += [(240, 90), (60, on_w + 22), (75, on_w + 7), (60, 90), (800, 2040), (55, on_w + 20), (drying_s, on_w)]
    return steps + ([(40, on_w + 18)] if last_drain else [])


def washer(heat_s: float = 900) -> list[Step]:
    """Fill, wash, heat, wash, then three times drain, spin and rinse, a last spin and loosening."""
    steps: list[Step] = [(70, ON_W + 7), *strokes(300, 180)]
    for _ in range(int(heat_s // 19)):
        steps += [(12, 2180), (7, 2000)]
    steps += strokes(700, 170)
    for _ in range(2):
        steps += [(60, 28), (30, 70), (15, 240), (120, 190), (15, 24), (60, ON_W + 7), *strokes(280, 150)]
    steps += [(40, 28), (40, 80), (20, 330), (200, 260), (30, 24), *strokes(150, 90)]
    return steps


def dryer(anti_crease_s: float = 1500) -> list[Step]:
    """A thermostat that cycles the heater, cooling, and tumbling on against creases."""
    steps: list[Step] = []
    for _ in range(8):
        steps += [(170, 2500), (25, 200)]
    return [*steps, (550, 205), *strokes(anti_crease_s, 200, floor_w=OFF_W, on_s=20, off_s=70)]


def idle(seconds: float, level_w: float = OFF_W) -> list[Step]:
    return [(seconds, level_w)]


def length_s(steps: list[Step]) -> float:
    return sum(s for s, _ in steps)


def draw(steps: list[Step], seed: int = 1, interval_s: float = 1.0, start_ms: int = START_MS) -> Series:
    """One reading every ``interval_s`` over all steps, with noise of one percent and a tenth of a watt."""
    rng = np.random.default_rng(seed)
    ends = np.cumsum([s for s, _ in steps])
    at_s = np.arange(0.0, float(ends[-1]), interval_s)
    watts = np.array([w for _, w in steps])[np.searchsorted(ends, at_s, side="right")]
    noisy = np.maximum(np.round(watts * (1 + rng.normal(0, 0.01, len(at_s))) + rng.normal(0, 0.1, len(at_s)), 1), 0)
    return Series(at_ms=start_ms + np.round(at_s * 1000).astype(np.int64), power_w=noisy)


def last_known(events: list[Event]) -> tuple[list[Cycle], list[Alert]]:
    """Cycles and alerts as they stand in the end."""
    cycles: dict[int, Cycle] = {}
    alerts: dict[str, Alert] = {}
    for event in events:
        if isinstance(event, CycleChanged):
            cycles.pop(event.cycle.key_ms, None)
            if not event.dropped:
                cycles[event.cycle.key_ms] = event.cycle
        elif isinstance(event, AlertChanged):
            alerts.pop(event.alert.key, None)
            if not event.withdrawn:
                alerts[event.alert.key] = event.alert
    return [cycles[k] for k in sorted(cycles)], list(alerts.values())


def cycles_of(series: Series, machine: Machine | None = None) -> list[Cycle]:
    assessor = Assessor(machine)
    return last_known(assessor.feed_series(series) + assessor.finish())[0]


def overlap(cycle: Cycle, from_s: float, to_s: float) -> float:
    """Intersection over union of a cycle and a time in seconds since the beginning of the log."""
    a, b = (cycle.start_ms - START_MS) / 1000, (cycle.end_ms - START_MS) / 1000
    return max(0.0, min(b, to_s) - max(a, from_s)) / (max(b, to_s) - min(a, from_s))
