"""The supply: voltage by ten-minute means, frequency by one-minute means, source impedance from the heater's dips.

Pure. One-second values are no breach of EN 50160; means are. Means run over short buckets, so that memory is
constant; readings without supply (below a fifth of nominal) are left out.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from statistics import median
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from loadbook.judge.limits import Limits

IntColumn = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Breach:
    """What a watch found: it began at ``began_ms`` and is out of band now, or (``over``) has come back."""

    kind: str
    at_ms: int
    began_ms: int
    measured: float
    low: float | None
    high: float | None
    unit: str
    over: bool = False


@dataclass(slots=True)
class RunningMean:
    """A running mean over ``buckets`` buckets, judged as each bucket closes. Sums are integers of thousandths."""

    kind: str
    unit: str
    low: float
    high: float
    bucket_ms: int
    buckets: int
    first: int = -1
    bucket: int = -1
    total: int = 0
    n: int = 0
    past: deque[tuple[int, int, int]] = field(default_factory=deque)
    past_total: int = 0
    past_n: int = 0
    began_ms: int | None = None
    raised: bool = False

    def add(self, at_ms: int, total: int, n: int) -> Breach | None:
        """``n`` readings of one bucket's time with the sum ``total``; ``at_ms`` is the first of them."""
        found = None
        bucket = at_ms // self.bucket_ms
        if bucket != self.bucket:
            if self.n:
                found = self._close(at_ms)
            if self.first < 0:
                self.first = bucket
            self.bucket, self.total, self.n = bucket, 0, 0
        self.total += total
        self.n += n
        return found

    def add_column(self, at_ms: IntColumn, thousandths: IntColumn) -> list[Breach]:
        """Many readings at once, both int64[n]."""
        if not at_ms.shape[0]:
            return []
        bucket = at_ms // self.bucket_ms
        starts = np.concatenate(([0], np.flatnonzero(np.diff(bucket)) + 1))
        totals = np.add.reduceat(thousandths, starts).tolist()
        counts = np.diff(np.concatenate((starts, [at_ms.shape[0]]))).tolist()
        found = map(self.add, at_ms[starts].tolist(), totals, counts)
        return [breach for breach in found if breach is not None]

    def _close(self, at_ms: int) -> Breach | None:
        self.past.append((self.bucket, self.total, self.n))
        self.past_total += self.total
        self.past_n += self.n
        while self.past[0][0] <= self.bucket - self.buckets:
            _, total, n = self.past.popleft()
            self.past_total -= total
            self.past_n -= n
        mean = self.past_total / self.past_n / 1000
        here = self.total / self.n / 1000
        out = not self.low <= mean <= self.high
        if not self.low <= here <= self.high:
            if self.began_ms is None:
                self.began_ms = self.bucket * self.bucket_ms
        elif not out:
            self.began_ms = None
        if out and not self.raised and self.bucket - self.first >= self.buckets - 1:
            self.raised = True
            return self._breach(at_ms, mean)
        if not out and self.raised:
            self.raised = False
            return self._breach(at_ms, mean, over=True)
        return None

    def _breach(self, at_ms: int, mean: float, over: bool = False) -> Breach:
        began = self.began_ms if self.began_ms is not None else self.past[0][0] * self.bucket_ms
        return Breach(self.kind, at_ms, began, round(mean, 2), self.low, self.high, self.unit, over)

    def save(self) -> dict[str, Any]:
        kept = {name: getattr(self, name) for name in self.KEPT}
        return {**kept, "past": [list(p) for p in self.past]}

    def load(self, state: dict[str, Any]) -> None:
        for name in self.KEPT:
            setattr(self, name, state[name])
        self.past = deque((b, t, n) for b, t, n in state["past"])

    KEPT: ClassVar = ("first", "bucket", "total", "n", "past_total", "past_n", "began_ms", "raised")


def voltage_mean(limits: Limits) -> RunningMean:
    """EN 50160: ten-minute means within nominal plus or minus 10 %."""
    nominal, share = limits.nominal_voltage_v, limits.voltage_tolerance
    bucket_ms = int(limits.voltage_mean_s * 1000) // 60
    return RunningMean("supply_voltage", "V", nominal * (1 - share), nominal * (1 + share), bucket_ms, 60)


def frequency_mean(limits: Limits, nominal_hz: float) -> RunningMean:
    """One-minute means within nominal plus or minus 1 %."""
    share = limits.frequency_tolerance
    bucket_ms = int(limits.frequency_mean_s * 1000) // 20
    return RunningMean("supply_frequency", "Hz", nominal_hz * (1 - share), nominal_hz * (1 + share), bucket_ms, 20)


@dataclass(slots=True)
class Impedance:
    """Source impedance: the median of −ΔV/ΔI over the last steps of current. A loose joint or a long thin extension
    lead shows here: the supply sags whenever the heater switches on."""

    limits: Limits
    steps: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=5))
    raised: bool = False

    def step(self, at_ms: int, change_v: float, change_a: float) -> Breach | None:
        """One switching step: the change of voltage and of current across it, transitions skipped."""
        if abs(change_a) < self.limits.impedance_step_a:
            return None
        self.steps.append((at_ms, -change_v / change_a))
        if len(self.steps) < self.limits.impedance_steps_least:
            return None
        ohm = median(z for _, z in self.steps)
        over = ohm <= self.limits.impedance_ohm
        if over != self.raised:
            return None
        self.raised = not over
        first = self.steps[0][0]
        return Breach("supply_impedance", at_ms, first, round(ohm, 3), None, self.limits.impedance_ohm, "ohm", over)

    def save(self) -> dict[str, Any]:
        return {"steps": [list(s) for s in self.steps], "raised": self.raised}

    def load(self, state: dict[str, Any]) -> None:
        self.steps = deque(((at, z) for at, z in state["steps"]), maxlen=5)
        self.raised = state["raised"]
