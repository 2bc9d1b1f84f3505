"""Watts of each part against its plate, while it is on: bands corrected for the supply, transitions skipped.

Pure. A part is judged only where its own draw can be told: alone, or with the others' draw known closely enough. A
heater is judged 20 s after it switched on, other parts 3 s after. What is measured on the way is kept for the cycle.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from loadbook.events import PartMeasured
from loadbook.judge.bands import Part
from loadbook.judge.limits import Limits
from loadbook.judge.verdicts import Finding
from loadbook.recognise.chart_model import PhaseModel
from loadbook.recognise.levels import Levels
from loadbook.recognise.stretch import Stretch
from loadbook.recognise.track import NEVER_MS

MOTOR_SETTLE_MS = 3_000
HEATER_EVIDENCE_MS, ON_EVIDENCE_MS, PULSING_EVIDENCE_MS = 1_000, 5_000, 12_000
"""A heater has settled by then, a part that is on for all of a phase stands still; a pulsing one may be starting."""
LEAST_N, MOST_WIDTH = 3, 0.4
"""Readings on a level, and how closely the part's draw must be told (of its plate), before it counts."""
STEP_TOLD = 0.007
"""So closely is a heater's draw told by the step with which it came on beside what stood still."""
SPREAD = 0.30
"""Another part's draw is known to this fraction where it has been seen alone, else within its band only."""


@dataclass(slots=True)
class Watch:
    """One part in one phase: evidence for it being low or high, and what it drew."""

    low_ms: int = 0
    high_ms: int = 0
    out_since_ms: int = 0
    out_w_ms: float = 0.0
    fine_ms: int = 0
    kind: str | None = None
    over_ms: int | None = None
    w_ms: float = 0.0
    ms: int = 0
    rated_w_ms: float = 0.0
    ohm_ms: float = 0.0
    volts_ms: int = 0


@dataclass(slots=True)
class PartsWatch:
    """All parts of a machine in the open cycle. ``on_ms`` is since when each has been on."""

    parts: tuple[Part, ...]
    limits: Limits
    levels: Levels
    on_ms: dict[int, int] = field(default_factory=dict)
    last_mask: int = 0
    last_ms: int = 0
    """When the level began in which ``last_mask`` drew, and how many readings it had."""
    last_n: int = 0
    step: tuple[int, float, int] | None = None
    """A heater that is on, the step with which it came on, W, and when."""
    watches: dict[tuple[int, int], Watch] = field(default_factory=dict)
    due_ms: int = NEVER_MS
    """When the evidence on a part that is out of its band will suffice, if it stays so."""

    def see(self, place: int, phase: PhaseModel, mask: int, start_ms: int, end_ms: int, stretch: Stretch) -> None:
        """A level of the told story: ``mask`` are the parts taken to draw it."""
        level_w, volts = stretch.level_w, stretch.volts
        for i in range(len(self.parts)):
            if not mask >> i & 1:
                self.on_ms.pop(i, None)
            elif i not in self.on_ms:
                self.on_ms[i] = start_ms
        self._stepped(mask, start_ms, stretch)
        own = level_w - self.levels.base_w
        self.due_ms = NEVER_MS
        if stretch.n < LEAST_N:
            return
        for i, since_ms in self.on_ms.items():
            part = self.parts[i]
            settled_ms = since_ms + (int(self.limits.heater_settle_s * 1000) if part.resistive else MOTOR_SETTLE_MS)
            ms = end_ms - max(start_ms, settled_ms)
            low, high = self._drawn(i, phase, mask, own, volts)
            if self._doubtful(i, phase, mask, own, volts, low, high):
                continue
            if ms > 0:
                began_ms = since_ms if end_ms - ms <= settled_ms else end_ms - ms
                self._judge(place, i, phase, began_ms, ms, low, high, volts)
            self._expect(place, i, phase, max(end_ms, settled_ms), low, high, volts)

    def _stepped(self, mask: int, start_ms: int, stretch: Stretch) -> None:
        """A heater that comes on, alone, beside parts that stood still draws the step: they go on as they were."""
        new, at_ms = mask & ~self.last_mask, stretch.level_ms
        stood = self.last_n >= LEAST_N and at_ms - self.last_ms >= MOTOR_SETTLE_MS
        if self.step is not None:
            self.step = (self.step[0], stretch.step_w, at_ms) if not new and at_ms == self.step[2] else None
        if new and new & (new - 1) == 0 and self.last_mask and not self.last_mask & ~mask and stood:
            i = new.bit_length() - 1
            low, high = self.parts[i].band(stretch.volts)
            within = (low or self.parts[i].least_w) <= stretch.step_w <= high
            if self.parts[i].resistive and within and start_ms == at_ms:
                self.step = (i, stretch.step_w, at_ms)
        if mask != self.last_mask:
            self.last_mask, self.last_ms = mask, start_ms
        self.last_n = stretch.n

    def _drawn(self, i: int, phase: PhaseModel, mask: int, own: float, volts: float | None) -> tuple[float, float]:
        """What the part may draw: the level less what the others may."""
        least = most = told = 0.0
        for k, part in enumerate(self.parts):
            if k == i or not mask >> k & 1:
                continue
            usual = self.levels.usual_w.get(k)
            if self.step is not None and self.step[0] == k:
                told = self.step[1]
                least, most = least + told * (1 - STEP_TOLD), most + told * (1 + STEP_TOLD)
            elif part.resistive:
                low, high = part.band(volts)
                least, most = least + (part.least_w if low is None else low * 0.96), most + high * 1.02
            elif usual is not None and k not in phase.pulsing:
                least, most = least + usual * (1 - SPREAD), most + usual * (1 + SPREAD)
            else:
                least, most = least + part.least_w, most + part.high_w
        meter = 0.6 + min(self.levels.base_w, 2.0) + 0.003 * (own - told)
        return own - most - meter - self.levels.base_more_w(), own - least + meter

    def _doubtful(
        self, i: int, phase: PhaseModel, mask: int, own: float, volts: float | None, low: float, high: float
    ) -> bool:
        """Whether it, now taken to draw ``low`` to ``high``, would be in its band, were one pulsing part on or off
        that is taken to be off or on."""
        band_low, band_high = self.parts[i].band(volts)
        if high >= (band_low or 0.0) and low <= band_high:
            return False
        for k in phase.pulsing:
            if k != i:
                low, high = self._drawn(i, phase, mask ^ 1 << k, own, volts)
                if high >= (band_low or 0.0) and low <= band_high:
                    return True
        return False

    def _judge(
        self, place: int, i: int, phase: PhaseModel, at_ms: int, ms: int, low: float, high: float,
        volts: float | None,
    ) -> None:  # fmt: skip
        part = self.parts[i]
        watch = self.watches.setdefault((place, i), Watch())
        drawn = max((low + high) / 2, 0.0)
        if high - low > MOST_WIDTH * part.rated_w + 3:
            return
        if high - low <= 0.12 * part.rated_w + 2:
            watch.ms += ms
            watch.w_ms += drawn * ms
            if part.resistive and volts and drawn > 0:
                watch.rated_w_ms += drawn * (part.rated_v / volts) ** 2 * ms
                watch.ohm_ms += volts * volts / drawn * ms
                watch.volts_ms += ms
        if phase.band_w is not None and not part.resistive:
            return
        band_low, band_high = part.band(volts)
        if band_low is not None and part.least_w < high < band_low:
            self._out(watch, "low", at_ms, ms, drawn)
        elif low > band_high:
            self._out(watch, "high", at_ms, ms, drawn)
        elif (low >= (band_low or 0.0) and high <= band_high) or (band_low is None and high <= band_high):
            self._fine(watch, at_ms)

    def _expect(
        self, place: int, i: int, phase: PhaseModel, from_ms: int, low: float, high: float, volts: float | None
    ) -> None:
        """Asks to be looked at again when a part that is out of its band will have been so for long enough."""
        watch = self.watches.get((place, i))
        part = self.parts[i]
        band_low, band_high = part.band(volts)
        if watch is not None and watch.kind is not None:
            return
        weak = band_low is not None and part.least_w < high < band_low
        if weak or low > band_high:
            had_ms = 0 if watch is None else watch.low_ms if weak else watch.high_ms
            self.due_ms = min(self.due_ms, from_ms + self._need_ms(i, phase) - had_ms)

    def _need_ms(self, i: int, phase: PhaseModel) -> int:
        """How long a part must be out of its band before that is said."""
        if self.parts[i].resistive:
            return HEATER_EVIDENCE_MS
        return ON_EVIDENCE_MS if i in phase.on else PULSING_EVIDENCE_MS

    @staticmethod
    def _out(watch: Watch, kind: str, at_ms: int, ms: int, drawn: float) -> None:
        if watch.low_ms + watch.high_ms == 0:
            watch.out_since_ms, watch.out_w_ms = at_ms, 0.0
        if kind == "low":
            watch.low_ms += ms
        else:
            watch.high_ms += ms
        watch.out_w_ms += drawn * ms

    @staticmethod
    def _fine(watch: Watch, at_ms: int) -> None:
        if watch.kind is not None and watch.over_ms is None:
            watch.over_ms = at_ms
        if watch.kind is None:
            watch.low_ms = watch.high_ms = 0

    def findings(self, phases: tuple[PhaseModel, ...], volts: float | None) -> list[Finding]:
        """Parts outside their bands, on enough evidence."""
        found = []
        for (place, i), watch in self.watches.items():
            if place >= len(phases) or not (watch.low_ms or watch.high_ms or watch.kind):
                continue
            part, need = self.parts[i], self._need_ms(i, phases[place])
            if watch.kind is None:
                if watch.low_ms >= need:
                    watch.kind = "power_low"
                elif watch.high_ms >= need:
                    watch.kind = "power_high"
            if watch.kind is None:
                continue
            low, high = part.band(volts)
            drawn = watch.out_w_ms / max(watch.low_ms + watch.high_ms, 1)
            phase = phases[place]
            found.append(
                Finding(watch.kind, place, phase.id, phase.stage, i, watch.out_since_ms, round(drawn, 1),
                        None if low is None else round(low, 1), round(high, 1), "W", watch.over_ms, True)
            )  # fmt: skip
        return found

    def measured(self, phases: tuple[PhaseModel, ...]) -> list[PartMeasured]:
        """What each part drew in each phase."""
        rows = []
        for (place, i), watch in sorted(self.watches.items()):
            if watch.ms < 1000 or place >= len(phases):
                continue
            volts = watch.volts_ms
            rows.append(
                PartMeasured(
                    component=self.parts[i].id,
                    phase=phases[place].id,
                    power_w=round(watch.w_ms / watch.ms, 2),
                    seconds=round(watch.ms / 1000, 1),
                    at_rated_w=round(watch.rated_w_ms / volts, 2) if volts else None,
                    resistance_ohm=round(watch.ohm_ms / volts, 3) if volts else None,
                )
            )
        return rows

    def save(self) -> dict[str, Any]:
        return {
            "on_ms": [list(x) for x in self.on_ms.items()],
            "last": [self.last_mask, self.last_ms, self.last_n, self.step],
            "watches": [[*key, asdict(watch)] for key, watch in self.watches.items()],
        }

    def load(self, state: dict[str, Any]) -> None:
        self.on_ms = {i: ms for i, ms in state["on_ms"]}
        self.last_mask, self.last_ms, self.last_n, step = state.get("last", (0, 0, 0, None))
        self.step = None if step is None else tuple(step)
        self.watches = {(place, i): Watch(**watch) for place, i, watch in state["watches"]}
