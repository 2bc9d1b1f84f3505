"""What each resistive part of a machine truly draws: learned while it runs, at its rated voltage.

Pure. Only where there are volts: without them nobody knows what the supply has moved. A heater that is only known by
its plate hides a pump or a drum; one that has been seen alone is known to a few watts, and then they stand beside it.
Knowing a weak heater makes it no healthier: ``judge`` goes by the plate.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from loadbook.judge.bands import LEAST_V, Part

STEP_W = 4.0
"""What is known moves in steps so large, so that answers may be kept."""
SHARE = 0.003
"""A known heater's watts are told to this share."""
TRACK, CALM, DRIFTS = 0.5, 0.7, 1.5
"""How much of a drift is followed at once; what is left of the last one at the next look; so many times it may come."""
DRIFT_AT_FIRST = 0.04
ABOUT = 1.05
JUMP_MS, FRESH_MS = 45_000, 30_000
"""A part that draws something else has to do so for so long, unless it has been on for no longer than this."""
WARMS_MS = 300_000
"""A heater that fades as it warms has done so by then."""


@dataclass(slots=True)
class Known:
    """One heater, W at rated voltage. ``drift_w`` is how much it has moved lately,
    ``fade_w`` how much it moved at most between two looks while it warmed. ``told`` is (watts, drift) in steps."""

    watts: float
    drift_w: float
    fade_w: float
    told: tuple[float, float]


@dataclass(slots=True)
class Resistive:
    """What is known of the resistive parts of one machine, by part."""

    parts: tuple[Part, ...]
    known: dict[int, Known] = field(default_factory=dict)

    def factor(self, part: int, volts: float) -> float:
        """What the supply makes of a part's rated watts."""
        return (volts / self.parts[part].rated_v) ** 2

    def learn(self, part: int, drawn_w: float, volts: float | None, stood_ms: int, on_ms: int) -> bool:
        """A part was seen to draw so much for ``stood_ms``, ``on_ms`` after it came on. True where that is news."""
        if volts is None or volts < LEAST_V:
            return False
        drawn_w /= self.factor(part, volts)
        one = self.known.get(part)
        if one is None:
            drift_w = DRIFT_AT_FIRST * drawn_w
            one = self.known[part] = Known(drawn_w, drift_w, 0.0, (0.0, 0.0))
        else:
            off_w = drawn_w - one.watts
            if on_ms <= FRESH_MS:
                one.watts, one.drift_w = drawn_w, max(one.fade_w, one.drift_w)
            elif abs(off_w) <= self.tolerance_w(part):
                one.watts += TRACK * off_w
                one.drift_w = max(CALM * one.drift_w, abs(off_w))
                if on_ms <= WARMS_MS:
                    one.fade_w = max(one.fade_w, abs(off_w))
            elif stood_ms >= JUMP_MS:
                one.watts, one.drift_w = drawn_w, max(one.drift_w, min(abs(off_w), DRIFT_AT_FIRST * drawn_w))
            else:
                return False
        watts, drift_w = one.told
        if abs(one.watts - watts) <= 0.75 * STEP_W and abs(one.drift_w - drift_w) <= 0.75 * STEP_W:
            return False
        one.told = STEP_W * round(one.watts / STEP_W), STEP_W * round(one.drift_w / STEP_W)
        return True

    def drawn_w(self, part: int, volts: float | None) -> float | None:
        """What a part draws at this voltage, as far as it is known, W."""
        one = self.known.get(part)
        if one is None or volts is None or volts < LEAST_V:
            return None
        return one.told[0] * self.factor(part, volts)

    def all_known(self, mask: int) -> bool:
        """Whether the watts of each part of a mask are known."""
        return all(i in self.known for i in range(len(self.parts)) if mask >> i & 1)

    def sum_w(self, mask: int, volts: float | None) -> float:
        """What known parts draw together, W."""
        return sum(self.drawn_w(i, volts) or 0.0 for i in self.known if mask >> i & 1)

    def tolerance_w(self, part: int) -> float:
        """How closely the watts of a known heater are told, W."""
        one = self.known[part]
        return one.told[0] * SHARE + 0.75 * STEP_W + DRIFTS * max(0.0, one.told[1] - STEP_W)

    def told(self) -> tuple[tuple[int, float, float], ...]:
        """All of what is known, in steps."""
        return tuple((i, *one.told) for i, one in sorted(self.known.items()))

    def beside(self, level_w: float, volts: float | None) -> int | None:
        """The largest known heater that may be on at this level; None where none is."""
        on = [(w, i) for i in self.known if 0.0 < (w := self.drawn_w(i, volts) or 0.0) <= ABOUT * level_w]
        return max(on)[1] if on else None

    def at_volts(self, level_w: float, volts: float | None, other_v: float | None, part: int) -> float:
        """What a level would have been at another voltage: a heater's share of it moves."""
        if volts is None or other_v is None:
            return level_w
        return level_w + self.known[part].told[0] * (self.factor(part, other_v) - self.factor(part, volts))

    def save(self) -> list[Any]:
        return [[i, asdict(one)] for i, one in self.known.items()]

    def load(self, state: list[Any]) -> None:
        self.known = {i: Known(**{**one, "told": tuple(one["told"])}) for i, one in state}
