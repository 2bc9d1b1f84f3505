"""How motors load their supply: a drum's reversing strokes, inrush, ramps, the ripple of a steady load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from loadbook.simulate.run import DT_S

Array = npt.NDArray[np.float64]


def steady(rng: np.random.Generator, steps: int, load: float, noise: float = 0.008, inrush: float = 1.0) -> Array:
    """A load that hovers: white ripple and a slow drift of a percent or so, with ``inrush`` times the load at first."""
    if steps <= 0:
        return np.zeros(0)
    drift = np.interp(np.arange(steps), np.linspace(0, steps, 2 + steps // 240), rng.normal(0, noise, 2 + steps // 240))
    level = load * (1.0 + drift + rng.normal(0, noise, steps))
    if inrush > 1.0:
        level *= 1.0 + (inrush - 1.0) * np.exp(-np.arange(steps) * DT_S / 0.35)
    return level


def ramp_up(rng: np.random.Generator, seconds: float, start: float, top: float) -> Array:
    """A motor that accelerates: its load climbs from ``start`` to ``top``."""
    steps = max(1, round(seconds / DT_S))
    return np.linspace(start, top, steps) * (1.0 + rng.normal(0, 0.015, steps))


@dataclass(frozen=True)
class Drum:
    """Reversing strokes: ``on_s`` turning, ``off_s`` resting, at a load (share of the plate) that differs by stroke
    with the laundry's lay. It starts with a stroke."""

    motor: str
    on_s: tuple[float, float] = (6.0, 19.0)
    off_s: tuple[float, float] = (5.0, 10.0)
    load: tuple[float, float] = (0.35, 0.8)
    inrush: float = 2.2

    def levels(self, rng: np.random.Generator, steps: int) -> tuple[str, Array]:
        """The motor's id and its load per step, ``steps`` long."""
        pieces: list[Array] = []
        have, mean = 0, float(rng.uniform(*self.load))
        spread = 0.25 * (self.load[1] - self.load[0])
        while have < steps:
            on = max(1, round(float(rng.uniform(*self.on_s)) / DT_S))
            off = max(1, round(float(rng.uniform(*self.off_s)) / DT_S))
            load = float(np.clip(mean + rng.normal(0, spread), *self.load))
            stroke = steady(rng, on, load, noise=0.04, inrush=self.inrush)
            pieces += [np.minimum(stroke, 1.15 if self.inrush <= 1 else 3.0), np.zeros(off)]
            have += on + off
        return self.motor, np.concatenate(pieces)[:steps]
