"""What a level can mean in a phase: which parts would draw it, and what would have to be wrong.

Pure. Made from the rating plates alone. A level is explained by the parts of the phase within their bands where that
is possible; else by one fault: a part missing, outside its band, or drawing that does not belong; else by none.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, log

from loadbook.judge.bands import Part
from loadbook.recognise.chart_model import ChartModel, PhaseModel

Fault = tuple[str, int]
"""What is wrong, and with which part (-1: no part): one of the kinds in ``prices``."""

SLACK = 0.04
"""Recognition takes a resistive part this much beyond its band for healthy; judging is for ``judge``."""
HIGHEST = 2.0
"""A part that draws more than this many times its plate is not that part."""
TOO_LITTLE_Z, STRETCH_Z = 1.6, 0.6
SMALL_W, SMALL_SHARE = 15.0, 0.4
"""What the machine itself draws in a cycle (display, relays) would pass for a fraction of a small part, a valve: below
this share of its plate it is not taken to be on."""
CACHE = 4000


def _coarse(watts: float) -> float:
    """To the nearest twentieth: what was learned moves in steps, so that answers may be kept."""
    return round(exp(round(log(watts) * 20) / 20), 3)


@dataclass(frozen=True, slots=True)
class Option:
    """One way to explain a level. ``z`` is how far-fetched, in nats, apart from the price of its faults."""

    faults: tuple[Fault, ...]
    mask: int
    z: float


@dataclass(slots=True)
class Levels:
    """Explains levels for one machine. ``base_w`` is what the machine itself draws in a cycle, learned as it goes;
    ``motor_w`` what a motor alone was seen to draw."""

    chart: ChartModel
    base_w: float = 1.5
    base_known: bool = False
    usual_w: dict[int, float] = field(default_factory=dict)
    _cache: dict[tuple[int, int, int], tuple[Option, ...]] = field(default_factory=dict)

    @classmethod
    def of(cls, chart: ChartModel) -> Levels:
        standby = chart.standby_w
        return cls(chart, 1.5 if standby is None else standby, standby is not None)

    def learn_base(self, level_w: float) -> None:
        """A long level at standby inside a cycle: the machine's own draw."""
        new = level_w if not self.base_known else 0.5 * self.base_w + 0.5 * level_w
        self.base_known = True
        if abs(new - self.base_w) > 0.05:
            self.base_w = round(new, 2)
            self._cache.clear()

    def learn_usual(self, part: int, level_w: float) -> None:
        """A part was seen drawing alone."""
        drawn = max(level_w - self.base_w, 0.1)
        old = self.usual_w.get(part)
        new = drawn if old is None else 0.8 * old + 0.2 * drawn
        self.usual_w[part] = new
        if old is None or _coarse(old) != _coarse(new):
            self._cache.clear()

    def at_standby(self, level_w: float) -> bool:
        return level_w <= self.chart.at_standby_w

    def explain(self, phase: PhaseModel, level_w: float, volts: float | None) -> tuple[Option, ...]:
        """Every sensible explanation, the healthy ones first; never empty. Levels are told apart to 0.25 W or 0.5 %."""
        step = 0.25 if level_w < 100 else 2.0 if level_w < 1000 else 8.0
        steps = round(level_w / step)
        volts = None if volts is None else round(volts)
        key = (phase.number, steps + (1 << 20) * round(step * 4), -1 if volts is None else round(volts))
        found = self._cache.get(key)
        if found is None:
            if len(self._cache) >= CACHE:
                self._cache.clear()
            found = self._cache[key] = self._explain(phase, steps * step, volts)
        return found

    # ------------------------------------------------------------------ the work

    def _explain(self, phase: PhaseModel, level_w: float, volts: float | None) -> tuple[Option, ...]:
        tol = 1.5 + 0.02 * level_w
        own = level_w - self.base_w
        options = self._fits(phase, own, tol, volts, level_w)
        if phase.band_w is not None:
            options += self._by_band(phase, level_w, tol)
        healthy = [o for o in options if not o.faults]
        if not healthy:
            options += self._off_band(phase, own, volts)
        if not healthy or min(o.z for o in healthy) > 0.8:
            options += self._unexpected(phase, own, tol, volts)
        if not options:
            options.append(Option((("excess", -1),), phase.on_mask, 0.0))
        best: dict[tuple[Fault, ...], Option] = {}
        for option in options:
            old = best.get(option.faults)
            if old is None or option.z < old.z:
                best[option.faults] = option
        return tuple(sorted(best.values(), key=lambda o: (len(o.faults), o.z)))

    def _range(self, part: Part, volts: float | None) -> tuple[float, float]:
        least, most = part.supply(volts)
        high = part.high_w * most * (1 + SLACK)
        if part.resistive and part.low_w is not None:
            return part.low_w * least * (1 - SLACK), high
        return self._least(part) * least, high

    @staticmethod
    def _least(part: Part) -> float:
        return part.rated_w * SMALL_SHARE if part.rated_w <= SMALL_W else part.least_w

    def _subsets(self, phase: PhaseModel) -> list[tuple[int, ...]]:
        subsets: list[tuple[int, ...]] = [()]
        for part in phase.pulsing:
            subsets += [(*s, part) for s in subsets]
        return subsets

    def _fits(self, phase: PhaseModel, own: float, tol: float, volts: float | None, level_w: float) -> list[Option]:
        """All needed parts with any of the pulsing ones; and with needed ones missing."""
        parts, options = self.chart.parts, []
        on_sets: list[tuple[int, ...]] = [()]
        for part in phase.on:
            on_sets += [(*s, part) for s in on_sets]
        for on in on_sets:
            missing = tuple(("missing", i) for i in phase.on if i not in on)
            spare = (
                sum(self._least(parts[i]) for _, i in missing) if len(missing) < len(phase.on) or phase.pulsing else 0.0
            )
            for pulsing in self._subsets(phase):
                drawing = (*on, *pulsing)
                if not drawing:
                    if self.at_standby(level_w):
                        z = 0.0 if own <= 1.5 + 0.5 * self.base_w else 0.4
                        idle = len(missing) > 1 or (missing and phase.pulsing)
                        options.append(Option((("idle", -1),) if idle else missing, 0, z))
                    continue
                ranges = [self._range(parts[i], volts) for i in drawing]
                low, high = sum(r[0] for r in ranges), sum(r[1] for r in ranges)
                if low - tol <= own <= high + tol + (spare if missing else 0.0):
                    options.append(Option(missing, self._mask(drawing), self._far(drawing, own, volts)))
        return options

    def _far(self, drawing: tuple[int, ...], own: float, volts: float | None) -> float:
        """How far-fetched: parts that would draw little of what their plate, or their past, says."""
        expected = sum(self._usual(i, volts) for i in drawing)
        share = own / expected
        if share < 0.55:
            return min(TOO_LITTLE_Z, (0.55 - share) * 4)
        return min(STRETCH_Z, max(0.0, abs(share - 1) - 0.25) * 1.5 + 0.2 * abs(share - 1))

    def _usual(self, i: int, volts: float | None) -> float:
        part = self.chart.parts[i]
        expected = part.expected_w(volts)
        usual = self.usual_w.get(i)
        return expected if usual is None or part.resistive else min(max(_coarse(usual), 0.2 * expected), 1.3 * expected)

    def _by_band(self, phase: PhaseModel, level_w: float, tol: float) -> list[Option]:
        """A phase with a band of its own for the whole machine: within it, all is well."""
        low, high = phase.band_w or (None, None)
        if high is not None and level_w > high + tol:
            return [Option((("phase_high", -1),), phase.mask, 0.0)]
        if low is not None and level_w < low - tol:
            return [] if self.at_standby(level_w) else [Option((("phase_low", -1),), phase.mask, 0.3)]
        return [Option((), phase.mask, 0.0)]

    def _off_band(self, phase: PhaseModel, own: float, volts: float | None) -> list[Option]:
        """One part of the phase outside its band explains the level."""
        options = []
        for pulsing in self._subsets(phase):
            drawing = (*phase.on, *pulsing)
            for i in drawing:
                part = self.chart.parts[i]
                others = sum(self._usual(k, volts) for k in drawing if k != i)
                drawn = own - others
                low, high = part.band(volts)
                expected = part.expected_w(volts)
                if low is not None and part.least_w < drawn < low:
                    options.append(Option((("low", i),), self._mask(drawing), 0.2 * (1 - drawn / expected)))
                elif high < drawn <= HIGHEST * expected + 5:
                    options.append(Option((("high", i),), self._mask(drawing), 1.5 * (drawn / expected - 1)))
        return options

    def _unexpected(self, phase: PhaseModel, own: float, tol: float, volts: float | None) -> list[Option]:
        """The phase's parts, and one that does not belong."""
        options = []
        listed = {*phase.on, *phase.pulsing}
        for i, part in enumerate(self.chart.parts):
            if i in listed:
                continue
            low, high = self._range(part, volts)
            for pulsing in self._subsets(phase):
                drawing = (*phase.on, *pulsing)
                lows = sum(self._usual(k, volts) * 0.75 for k in drawing)
                highs = sum(
                    min(self._usual(k, volts) * 1.25, self._range(self.chart.parts[k], volts)[1]) for k in drawing
                )
                if low + lows - tol <= own <= high + highs + tol:
                    z = self._far((*drawing, i), own, volts)
                    options.append(Option((("unexpected", i),), self._mask((*drawing, i)), z))
        return options

    @staticmethod
    def _mask(drawing: tuple[int, ...]) -> int:
        return sum(1 << i for i in drawing)
