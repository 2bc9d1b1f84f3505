"""When to start: what a programme's measured shape would cost at every start in a window.

The shape is energy by the minute in whole millijoules; prices change on whole minutes and starts are whole minutes, so
a shape that straddles bands is priced exactly, in integers. With a solar curve each minute takes what the roof gives
(valued at the export price) and buys the rest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import gcd, lcm

import numpy as np
import numpy.typing as npt

from loadbook.cost.energy_curve import EnergyCurve, Ints
from loadbook.cost.programmes import Run
from loadbook.cost.solar_curve import SolarCurve
from loadbook.cost.tariff import NO_BAND, PRICE_SCALE, Spans, Tariff
from loadbook.errors import InputError
from loadbook.reading import Series

MINUTE_MS = 60_000
MJ_PER_KWH = 3_600_000_000
LONGEST_MIN = 24 * 60
MOST_STARTS = 600_000
"""A year of whole minutes, and some."""
_SAFE = 1 << 62
_TOGETHER = 1 << 20
"""Minutes of shapes looked at together when there is a solar curve: bounds memory."""


@dataclass(frozen=True, slots=True)
class Shape:
    """Energy of a run by the minute: int64[n] in mJ, the first minute beginning with the run."""

    energy_mj: Ints

    @property
    def length_ms(self) -> int:
        return len(self.energy_mj) * MINUTE_MS

    @property
    def energy_kwh(self) -> float:
        return int(self.energy_mj.sum()) / MJ_PER_KWH


def shape_of(series: Series, start_ms: int | None = None, end_ms: int | None = None) -> Shape:
    """The shape of a run in a log. Raises InputError when there is no energy or it is longer than a day."""
    curve = EnergyCurve(series)
    start = curve.first_ms if start_ms is None else start_ms
    end = curve.last_ms if end_ms is None else end_ms
    minutes = -(-(end - start) // MINUTE_MS)
    if minutes > LONGEST_MIN:
        raise InputError(f"the run is {minutes} min long, more than a day; give one cycle, not a whole log")
    edges = np.append(start + MINUTE_MS * np.arange(minutes, dtype=np.int64), end)
    shape = Shape(np.diff(curve.at(edges) // 1000))
    if minutes < 1 or int(shape.energy_mj.sum()) <= 0:
        raise InputError("the run drew no energy; there is nothing to place")
    return shape


def typical_runs(runs: Sequence[Run]) -> list[Run]:
    """Completed runs, the one whose energy lies in the middle first, then its neighbours: runs that happened, not an
    average of several."""
    done = sorted(
        (run for run in runs if run.outcome == "completed" and run.energy_kwh), key=lambda r: r.energy_kwh or 0
    )
    middle = (len(done) - 1) // 2
    return [done[i] for i in sorted(range(len(done)), key=lambda i: (abs(i - middle), i))]


def starts_within(now_ms: int, last_ms: int, every_min: int, offset_ms: int = 0) -> Ints:
    """Now (its whole minute), then every ``every_min`` minutes on the local clock, until ``last_ms`` at the latest.

    ``offset_ms`` is how far the local clock is ahead of UTC. Raises InputError when nothing lies in the window.
    """
    now = now_ms // MINUTE_MS * MINUTE_MS
    step = every_min * MINUTE_MS
    first = -(-(now + 1 + offset_ms) // step) * step - offset_ms
    if last_ms < now:
        raise InputError("the window ends before it begins; give a later end or a shorter programme")
    if (last_ms - first) // step >= MOST_STARTS:
        raise InputError(f"the window holds more than {MOST_STARTS:,} starts; take fewer hours or a longer step")
    return np.concatenate(([now], np.arange(first, last_ms + 1, step))).astype(np.int64)


@dataclass(frozen=True, slots=True)
class StartCosts:
    """The cost of every start: ``starts_ms`` int64[n]; ``cost`` integers [n], in ``1 / scale`` of the currency.

    ``known`` is false where the tariff has no price for some of the run. ``own_mj`` is the own energy of each start.
    """

    currency: str
    starts_ms: Ints
    cost: npt.NDArray[np.int64] | npt.NDArray[np.object_]
    scale: int
    known: npt.NDArray[np.bool_]
    own_mj: Ints

    def amount(self, index: int) -> Fraction | None:
        """The cost of one start, exact; None where not known."""
        return Fraction(int(self.cost[index]), self.scale) if self.known[index] else None

    def cheapest(self) -> int | None:
        """The earliest of the cheapest starts; None when no start has a known cost."""
        return self._least(1)

    def dearest(self) -> int | None:
        """The earliest of the dearest starts."""
        return self._least(-1)

    def _least(self, sign: int) -> int | None:
        known = np.flatnonzero(self.known)
        return int(known[np.argmin(sign * self.cost[known])]) if len(known) else None

    def saving(self, index: int, against: int = 0) -> Fraction | None:
        """What a start saves against another (the first, which is now)."""
        here, there = self.amount(index), self.amount(against)
        return None if here is None or there is None else there - here


def start_costs(tariff: Tariff, shape: Shape, starts_ms: Ints, solar: SolarCurve | None = None) -> StartCosts:
    """The cost of the shape at every start. ``starts_ms`` are whole minutes, in order."""
    begin, end = int(starts_ms[0]), int(starts_ms[-1]) + shape.length_ms
    spans = tariff.spans(begin, end)
    price, export, scale = _whole_prices(tariff, spans)
    bound = max(int(np.abs(price).max()), int(np.abs(export).max())) * int(np.abs(shape.energy_mj).sum())
    number_type = np.int64 if bound < _SAFE else np.object_  # beyond 64 bits Python's own integers do it, slower
    price, export = price.astype(number_type), export.astype(number_type)
    minutes = (starts_ms - begin) // MINUTE_MS
    if solar is None:
        edges = (spans.edges_ms - begin) // MINUTE_MS
        cost, known = _without_solar(shape, minutes, edges, price, spans.band != NO_BAND)
        own = np.zeros(len(starts_ms), dtype=np.int64)
    else:
        cost, known, own = _with_solar(shape, minutes, spans, (price, export), solar)
    return StartCosts(tariff.currency, starts_ms, cost, scale * MJ_PER_KWH, known, own)


def _whole_prices(tariff: Tariff, spans: Spans) -> tuple[Ints, Ints, int]:
    """Prices with tax and export prices of each span as integers as small as may be, and their scale."""
    factors = {int(p): tariff.tax_factors(int(p)).gross if p >= 0 else Fraction(1) for p in np.unique(spans.period)}
    common = lcm(*(factor.denominator for factor in factors.values()))
    times = np.zeros(len(spans.period), dtype=np.int64)
    for period, factor in factors.items():
        times[spans.period == period] = int(factor * common)
    price, export = spans.price * times, spans.export * common
    scale = PRICE_SCALE * common
    least = gcd(scale, int(np.gcd.reduce(np.concatenate((price, export)))))
    return price // least, export // least, scale // least


def _without_solar(
    shape: Shape, minutes: Ints, edges: Ints, price: npt.NDArray[np.generic], priced: npt.NDArray[np.bool_]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Span by span of each start's run: energy in it is a difference on the shape's running sum."""
    length = len(shape.energy_mj)
    running = np.concatenate(([0], np.cumsum(shape.energy_mj)))
    span = np.searchsorted(edges, minutes, side="right") - 1
    cost = np.zeros(len(minutes), dtype=price.dtype)
    known = np.ones(len(minutes), dtype=np.bool_)
    while True:
        here = np.minimum(span, len(price) - 1)
        low = np.clip(edges[here] - minutes, 0, length)
        high = np.where(span < len(price), np.clip(edges[here + 1] - minutes, 0, length), low)
        if not (high > low).any():
            return cost, known
        energy = running[high] - running[low]
        cost = cost + price[here] * energy
        known &= priced[here] | (energy == 0)
        span = span + 1


def _with_solar(
    shape: Shape,
    minutes: Ints,
    spans: Spans,
    prices: tuple[npt.NDArray[np.generic], npt.NDArray[np.generic]],
    solar: SolarCurve,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_], Ints]:
    """Minute by minute of each start's run, some starts at a time."""
    begin, end = int(spans.edges_ms[0]), int(spans.edges_ms[-1])
    at = begin + MINUTE_MS * np.arange((end - begin) // MINUTE_MS, dtype=np.int64)
    span = np.searchsorted(spans.edges_ms, at, side="right") - 1
    price, export = prices[0][span], prices[1][span]
    priced = (spans.band != NO_BAND)[span]
    curve = solar.spans(begin, end)
    given_mj = (curve.power_mw * 60)[np.searchsorted(curve.edges_ms, at, side="right") - 1]
    offsets = np.arange(len(shape.energy_mj), dtype=np.int64)
    cost: list[npt.NDArray[np.generic]] = []
    known: list[npt.NDArray[np.bool_]] = []
    own_of: list[Ints] = []
    together = max(_TOGETHER // len(offsets), 1)
    for first in range(0, len(minutes), together):
        index = minutes[first : first + together, None] + offsets
        own = np.clip(np.minimum(shape.energy_mj, given_mj[index]), 0, None)
        cost.append(((shape.energy_mj - own) * price[index] + own * export[index]).sum(axis=1))
        known.append((priced[index] | (shape.energy_mj == 0)).all(axis=1))
        own_of.append(own.sum(axis=1))
    return np.concatenate(cost), np.concatenate(known), np.concatenate(own_of)
