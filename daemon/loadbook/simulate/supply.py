"""The mains at the machine's socket: a voltage that wanders slowly, behind a source resistance; and its frequency.

Pure functions of time, so that it does not matter in which pieces they are asked for.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Slope:
    """A bend of the voltage as a factor: from ``from_s`` on (over ``ramp_s``) until ``until_s`` the supply is
    multiplied by ``factor``."""

    factor: float
    from_s: float = 0.0
    until_s: float = float("inf")
    ramp_s: float = 20.0

    def at(self, t_s: Array) -> Array:
        up = np.clip((t_s - self.from_s) / self.ramp_s, 0.0, 1.0)
        down = np.clip((t_s - self.until_s) / self.ramp_s, 0.0, 1.0) if np.isfinite(self.until_s) else 0.0
        return np.asarray(1.0 + (self.factor - 1.0) * (up - down), dtype=np.float64)


@dataclass(frozen=True)
class Supply:
    """``open_v`` is the voltage without load; ``source_ohm`` the loop resistance up to the meter, which sees the dip.

    The wander is a sum of slow waves of three minutes to five hours (other loads, the day) plus neighbours' steps.
    """

    seed: int
    open_v: float = 232.0
    wander_v: float = 1.6
    source_ohm: float = 0.45
    nominal_hz: float = 50.0
    hz_offset: float = 0.0
    hz_offset_from_s: float = 0.0
    slopes: tuple[Slope, ...] = ()
    _waves: Array = field(init=False, repr=False, compare=False)
    _steps: Array = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        rng = np.random.default_rng([self.seed, 77])
        period_s = np.exp(rng.uniform(np.log(180.0), np.log(18_000.0), 12))
        object.__setattr__(self, "_waves", np.stack([period_s, rng.uniform(0, 2 * np.pi, 12), rng.normal(0, 1, 12)]))
        at_s = np.sort(rng.uniform(0, 172_800, 240))
        object.__setattr__(self, "_steps", np.stack([at_s, rng.normal(0, 0.35, 240)]))

    def open_circuit_v(self, t_s: Array) -> Array:
        """Volts without load at the times ``t_s`` (seconds since the start of the run)."""
        period_s, phase, size = self._waves
        slow = np.zeros_like(t_s)
        for p, f, a in zip(period_s, phase, size, strict=True):
            slow += a * np.sin(2 * np.pi * t_s / p + f)
        at_s, step_v = self._steps
        level = np.concatenate([[0.0], np.where(np.arange(step_v.size) % 2 == 0, step_v, -np.roll(step_v, 1))])
        slow = slow * (self.wander_v / np.sqrt(6.0)) + np.cumsum(level)[np.searchsorted(at_s, t_s, side="right")]
        volts = self.open_v + slow
        for slope in self.slopes:
            volts = volts * slope.at(t_s)
        return np.asarray(volts, dtype=np.float64)

    def frequency_hz(self, t_s: Array) -> Array:
        """Hz at the times ``t_s``."""
        period_s, phase, size = self._waves
        slow = sum(a * np.sin(2 * np.pi * t_s / (p * 0.3) - f) for p, f, a in zip(period_s, phase, size, strict=True))
        late = np.clip((t_s - self.hz_offset_from_s) / 30.0, 0.0, 1.0)
        return np.asarray(self.nominal_hz + 0.008 * slow + self.hz_offset * late, dtype=np.float64)


@dataclass(frozen=True)
class Flow:
    """What flows at the socket: arrays of one length; ``part_w`` has a row per part."""

    volts: Array
    part_w: Array
    reactive_var: Array


def solve(
    open_v: Array, source_ohm: float, conductance_s: Array, constant_w: Array, tan_phi: npt.NDArray[np.float64]
) -> Flow:
    """Volts at the socket and watts of every part.

    ``conductance_s[part, n]`` are the resistive parts (they follow V squared), ``constant_w[part, n]`` the others
    (whose watts do not depend on the voltage); ``tan_phi[part]`` is reactive over active power. A few rounds
    of substitution settle, because the dip is a few volts.
    """
    volts = open_v.copy()
    live = open_v > 1.0
    for _ in range(6):
        watts = conductance_s.sum(axis=0) * volts**2 + constant_w.sum(axis=0)
        dip = np.divide(source_ohm * watts, volts, out=np.zeros_like(volts), where=volts > 1.0)
        volts = np.where(live, np.maximum(open_v - dip, 0.2 * open_v), open_v)
    part_w = (conductance_s * volts**2 + constant_w) * live
    return Flow(volts=volts, part_w=part_w, reactive_var=(part_w * tan_phi[:, None]).sum(axis=0))
