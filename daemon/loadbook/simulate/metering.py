"""The meter and the log: interval, averaging, gain error, noise, resolution, counter; and what spoils a real log.

``meter`` gives rows; the defects take rows and give rows; ``csv_text`` writes them in the contract's form.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta, timezone

import numpy as np
import numpy.typing as npt

from loadbook.simulate.run import DT_S, Recorded

Array = npt.NDArray[np.float64]
COLUMNS = ("power_w", "voltage_v", "current_a", "frequency_hz", "power_factor", "energy_wh")


@dataclass(frozen=True)
class Meter:
    """``interval_s`` is one number, or (low, high) for a meter read unevenly. Steps are resolutions; ``noise`` is a
    share of the reading, ``gain`` the largest constant error (0.5 % passes class 1)."""

    interval_s: tuple[float, float] = (1.0, 1.0)
    window_s: float = 1.0
    power_step_w: float = 0.1
    noise: float = 0.001
    noise_w: float = 0.05
    gain: float = 0.005
    columns: tuple[str, ...] = COLUMNS
    dead_w: float = 0.0
    """Below this it shows 0."""
    spike_every: float = 0.0
    """Mean number of readings between one-reading spikes of twice the load (0: none)."""


FULL = Meter()
COARSE = Meter(interval_s=(3.0, 5.0), power_step_w=2.0, columns=("power_w",), window_s=1.0)
PLUG = Meter(power_step_w=0.5, columns=("power_w",), noise_w=0.2)
TWO_SECONDS = Meter(interval_s=(2.0, 2.0), power_step_w=1.0, columns=("power_w", "voltage_v"))
NO_VOLTS = Meter(columns=("power_w", "energy_wh"))


@dataclass
class Rows:
    """A log before it is text: seconds since the run's start (what the clock wrote), and columns."""

    stamp_s: Array
    columns: dict[str, Array]
    true_s: Array
    """When each row was truly read, whatever the clock said."""

    def take(self, index: npt.NDArray[np.int64] | npt.NDArray[np.bool_]) -> Rows:
        return Rows(self.stamp_s[index], {k: v[index] for k, v in self.columns.items()}, self.true_s[index])


def _mean(values: Array, last: npt.NDArray[np.int64], window: int) -> Array:
    total = np.concatenate([[0.0], np.cumsum(values)])
    first = np.maximum(last - window, 0)
    return np.asarray((total[last] - total[first]) / np.maximum(last - first, 1), dtype=np.float64)


def _round(values: Array, step: float) -> Array:
    return np.asarray(np.round(np.round(values / step) * step, 6), dtype=np.float64)


def read_out(recorded: Recorded, meter: Meter, seed: int) -> Rows:
    """What the meter says of a run."""
    rng = np.random.default_rng([seed, 3])
    whole_s = recorded.volts.size * DT_S
    if meter.interval_s[0] == meter.interval_s[1]:
        at_s = np.arange(1.0, whole_s, meter.interval_s[0])
    else:
        at_s = np.cumsum(rng.integers(int(meter.interval_s[0]), int(meter.interval_s[1]) + 1, int(whole_s)))
        at_s = at_s[at_s < whole_s].astype(np.float64)
    last = np.round(at_s / DT_S).astype(np.int64)
    window = max(1, round(meter.window_s / DT_S))
    true_w = recorded.part_w.sum(axis=0)
    volts, var = _mean(recorded.volts, last, window), _mean(recorded.reactive_var, last, window)
    gain = 1.0 + rng.uniform(-meter.gain, meter.gain)
    power = _mean(true_w, last, window) * gain * (1.0 + rng.normal(0, meter.noise, at_s.size))
    power = np.maximum(power + rng.normal(0, meter.noise_w, at_s.size), 0.0)
    if meter.spike_every:
        power = np.where(rng.random(at_s.size) < 1.0 / meter.spike_every, power * 2.0 + 40.0, power)
    power = np.where((power < meter.dead_w) | (volts < 1.0), 0.0, power)
    amps = np.divide(np.hypot(power, var), volts, out=np.zeros_like(volts), where=volts > 1.0)
    counter = 1200.0 + np.cumsum(true_w)[np.maximum(last - 1, 0)] * DT_S / 3600.0 * gain
    factor = np.divide(power, volts * amps, out=np.ones_like(volts), where=volts * amps > 0.01)
    every = {
        "power_w": _round(power, meter.power_step_w),
        "voltage_v": _round(volts, 0.1),
        "current_a": _round(amps, 0.001),
        "frequency_hz": _round(recorded.run.supply.frequency_hz(at_s), 0.01),
        "power_factor": _round(np.clip(factor, 0, 1), 0.001),
        "energy_wh": _round(np.floor(counter), 1.0),
    }
    return Rows(at_s.copy(), {name: every[name] for name in meter.columns}, at_s)


def drop(rows: Rows, from_s: float, until_s: float) -> Rows:
    """A gap: the rows read in between are missing."""
    return rows.take((rows.true_s < from_s) | (rows.true_s >= until_s))


def thin(rows: Rows, seed: int, every: float = 900.0, longest: int = 6) -> Rows:
    """Some rows missing here and there, up to ``longest`` in a row."""
    rng = np.random.default_rng([seed, 5])
    keep = np.ones(rows.stamp_s.size, dtype=bool)
    for at in np.flatnonzero(rng.random(keep.size) < 1.0 / every):
        keep[at : at + int(rng.integers(1, longest + 1))] = False
    return rows.take(keep)


def repeat(rows: Rows, seed: int, every: float = 600.0) -> Rows:
    """The same second twice, the first time with different watts (the last wins)."""
    rng = np.random.default_rng([seed, 6])
    times = 1 + (rng.random(rows.stamp_s.size) < 1.0 / every)
    out = rows.take(np.repeat(np.arange(rows.stamp_s.size), times))
    first = np.flatnonzero(np.diff(out.stamp_s) == 0)
    out.columns["power_w"] = out.columns["power_w"].copy()
    out.columns["power_w"][first] = np.round(out.columns["power_w"][first] * rng.uniform(0.2, 1.8, first.size), 1)
    return out


def shuffle(rows: Rows, seed: int, every: float = 700.0) -> Rows:
    """Rows out of order by a few seconds."""
    rng = np.random.default_rng([seed, 7])
    order = np.arange(rows.stamp_s.size)
    for at in np.flatnonzero(rng.random(order.size - 4) < 1.0 / every):
        order[at : at + 4] = rng.permutation(order[at : at + 4])
    return rows.take(order)


def step_back(rows: Rows, at_s: float, seconds: float) -> Rows:
    """The clock is set back at ``at_s``."""
    return Rows(np.where(rows.true_s >= at_s, rows.stamp_s - seconds, rows.stamp_s), dict(rows.columns), rows.true_s)


def csv_text(rows: Rows, start: datetime, offset_h: tuple[tuple[float, float], ...] = ()) -> str:
    """The contract's CSV. ``offset_h`` is ((from second, hours east), ...) for stamps in local time; else ``Z``."""
    names = list(rows.columns)
    digits = {"power_w": 1, "voltage_v": 1, "current_a": 3, "frequency_hz": 2, "power_factor": 3, "energy_wh": 0}
    lines = [",".join(["time", *names])]
    columns = [[f"{v:.{digits[n]}f}" for v in rows.columns[n].tolist()] for n in names]
    for stamp_s, *values in zip(rows.stamp_s.tolist(), *columns, strict=True):
        lines.append(",".join([stamp(start, stamp_s, offset_h), *values]))
    return "\n".join(lines) + "\n"


def stamp(start: datetime, at_s: float, offset_h: tuple[tuple[float, float], ...] = ()) -> str:
    """A time as a log writes it."""
    at = start + timedelta(seconds=at_s)
    text = "%Y-%m-%dT%H:%M:%S" if at.microsecond == 0 else "%Y-%m-%dT%H:%M:%S.%f"
    hours = [h for from_s, h in offset_h if at_s >= from_s]
    if not hours:
        return at.strftime(text) + "Z"
    return at.astimezone(timezone(timedelta(hours=hours[-1]))).strftime(text) + f"{int(hours[-1]):+03d}:00"
