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
MANY_BUCKETS = 8
"""So many at once are worth being taken as columns."""


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
        totals = np.add.reduceat(thousandths, starts)
        counts = np.diff(np.concatenate((starts, [at_ms.shape[0]])))
        if starts.shape[0] >= MANY_BUCKETS and self._all_fine(bucket[starts], totals, counts):
            return []
        found = map(self.add, at_ms[starts].tolist(), totals.tolist(), counts.tolist())
        return [breach for breach in found if breach is not None]

    def _all_fine(self, bucket: IntColumn, totals: IntColumn, counts: IntColumn) -> bool:
        """Takes whole buckets at once where none of them, and no mean, leaves the band; else takes nothing.
        ``bucket``, ``totals`` and ``counts`` are int64[n], ``bucket`` rising."""
        if self.raised or self.began_ms is not None:
            return False
        kept = [*self.past, (self.bucket, self.total, self.n)] if self.n else list(self.past)
        if self.n and bucket[0] == self.bucket:
            kept[-1] = (self.bucket, self.total + int(totals[0]), self.n + int(counts[0]))
            bucket, totals, counts = bucket[1:], totals[1:], counts[1:]
        before = np.array(kept, dtype=np.int64).reshape(-1, 3)
        bucket = np.concatenate((before[:, 0], bucket))
        totals, counts = np.concatenate((before[:, 1], totals)), np.concatenate((before[:, 2], counts))
        sums, ns = np.concatenate(([0], np.cumsum(totals))), np.concatenate(([0], np.cumsum(counts)))
        new = np.arange(len(self.past), bucket.shape[0] - 1)  # those that close now: all but the last
        since = np.searchsorted(bucket, bucket[new] - self.buckets, side="right")
        means = (sums[new + 1] - sums[since]) / (ns[new + 1] - ns[since]) / 1000
        here = totals[new] / counts[new] / 1000
        if not bool(((means >= self.low) & (means <= self.high) & (here >= self.low) & (here <= self.high)).all()):
            return False
        if self.first < 0:
            self.first = int(bucket[0])
        if new.shape[0]:
            rows = np.stack((bucket, totals, counts), axis=1)[int(since[-1]) : -1].tolist()
            self.past = deque((b, t, n) for b, t, n in rows)
            self.past_total, self.past_n = sum(r[1] for r in rows), sum(r[2] for r in rows)
        self.bucket, self.total, self.n = int(bucket[-1]), int(totals[-1]), int(counts[-1])
        return True

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


def _band(nominal: float, share: float) -> tuple[float, float]:
    """To a thousandth, as the sums are."""
    return round(nominal * (1 - share), 3), round(nominal * (1 + share), 3)


def voltage_mean(limits: Limits) -> RunningMean:
    """EN 50160: ten-minute means within nominal plus or minus 10 %."""
    nominal, share = limits.nominal_voltage_v, limits.voltage_tolerance
    bucket_ms = int(limits.voltage_mean_s * 1000) // 60
    return RunningMean("supply_voltage", "V", *_band(nominal, share), bucket_ms, 60)


def frequency_mean(limits: Limits, nominal_hz: float) -> RunningMean:
    """One-minute means within nominal plus or minus 1 %."""
    share = limits.frequency_tolerance
    bucket_ms = int(limits.frequency_mean_s * 1000) // 20
    return RunningMean("supply_frequency", "Hz", *_band(nominal_hz, share), bucket_ms, 20)


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
