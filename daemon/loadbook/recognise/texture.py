"""Textures: what a short stretch of power looks like when no chart says what it should be.

Pure. Levels are laid on a grid of five seconds (aligned to the epoch, so that the cut into chunks cannot matter); a
window of nine such bins, 45 s, gives floor, middle, top and swing, and from these a *look*: quiet, small (a pump or
a valve), heat, run (a motor steadily on), tumble (on and off), spin (a pump that stays on beneath a changing motor).
A reversing drum is a texture, not a state: only the window's floor tells tumbling from draining and spinning.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from loadbook.judge.limits import Limits
from loadbook.machine import Machine

Look = Literal["quiet", "small", "heat", "run", "tumble", "spin", "unknown"]

BIN_MS = 5_000
HALF = 4
"""Bins on either side of the one that is judged."""
SMALL_W = 45.0
"""Without plates: what a drain pump, a valve or both draw at most (a pump 25 to 40 W; common practice, no source)."""
HEAT_W = 600.0
"""Without plates: the least that is taken for a heater while none has been seen."""
HEATER_SHARE = 0.40
"""A heater that draws less than this of its plate is not seen as heating."""
SPIN_FLOOR_W = 13.5
"""A drain pump that stays on lifts the floor above this; beneath a drum that only reverses it is lower (measured on
ten machines: 14 to 30 W against 0 to 13 W). Two open valves lift it too, so a spin must also drive on: DRIVE_BINS."""
STEADY_SHARE = 0.72
DRIVE_BINS = 4
"""A motor on through so many whole bins (20 s and more) drives on; strokes of a reversing drum are shorter."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Which watts mean what on this machine. ``quiet_w`` is the most it draws at standby."""

    quiet_w: float
    small_w: float = SMALL_W
    heat_w: float = HEAT_W
    plates: bool = False


def scale_of(machine: Machine | None) -> Scale:
    """From the plates where there are any: between the largest small part and the smallest motor, and below the
    smallest heater."""
    if machine is None:
        return Scale(Limits().at_standby_w(None))
    quiet_w = Limits().at_standby_w(machine.machine.standby_w)
    heaters = [p.rated_w for p in machine.components if p.nature == "resistive" and p.rated_w >= 200]
    rest = [p.rated_w for p in machine.components if p.nature != "resistive"]
    small = [w for w in rest if w <= SMALL_W]
    large = [w for w in rest if w > SMALL_W]
    small_w = SMALL_W
    if small and large:
        small_w = min(max(max(small) * 1.25 + quiet_w, 25.0), (max(small) * min(large)) ** 0.5 + quiet_w)
    heat_w = HEAT_W
    if heaters:
        heat_w = max(min(heaters) * HEATER_SHARE, 1.2 * max((w for w in large if w < min(heaters)), default=0.0))
        heat_w = min(heat_w, 0.8 * min(heaters))
    return Scale(quiet_w, small_w, heat_w, plates=bool(heaters))


@dataclass(slots=True)
class Bin:
    """Five seconds of levels: lowest, highest, and the sum of W·ms over the ``known_ms`` that are known."""

    index: int
    low_w: float = 1e9
    high_w: float = -1.0
    sum_wms: float = 0.0
    known_ms: int = 0

    def add(self, level_w: float, ms: int) -> None:
        self.low_w = min(self.low_w, level_w)
        self.high_w = max(self.high_w, level_w)
        self.sum_wms += level_w * ms
        self.known_ms += ms

    @property
    def mean_w(self) -> float:
        return self.sum_wms / self.known_ms if self.known_ms else 0.0

    def save(self) -> list[Any]:
        return [self.index, self.low_w, self.high_w, self.sum_wms, self.known_ms]


def look_of(window: Sequence[Bin], centre: Bin, scale: Scale, heat_w: float) -> Look:
    """The look of ``centre`` within its window. ``heat_w`` is the least that counts as heating on this machine."""
    if centre.known_ms == 0:
        return "unknown"
    if centre.mean_w >= heat_w and centre.low_w >= 0.8 * heat_w:
        return "heat"
    if centre.mean_w >= heat_w and centre.high_w >= 1.25 * heat_w:
        return "heat"
    known = [b for b in window if b.known_ms and b.high_w < heat_w]
    if not known:
        return "heat" if centre.high_w >= heat_w else "unknown"
    if centre.high_w <= scale.small_w and _still(window, centre, scale):
        return "quiet" if centre.high_w <= scale.quiet_w else "small"
    lows = sorted(b.low_w for b in known)
    highs = sorted(b.high_w for b in known)
    top = max(highs[-2] if len(highs) > 4 else highs[-1], min(centre.high_w, heat_w))
    floor = lows[1] if len(lows) > 4 else lows[0]
    if floor >= STEADY_SHARE * top:
        return "run"
    return "spin" if floor > SPIN_FLOOR_W else "tumble"


def _still(window: Sequence[Bin], centre: Bin, scale: Scale) -> bool:
    """No motor within two bins on either side."""
    return all(b.high_w <= scale.small_w for b in window if abs(b.index - centre.index) <= 2)
