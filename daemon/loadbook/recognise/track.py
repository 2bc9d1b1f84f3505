"""What every tracker is told and what it answers: the seam between readings and recognition.

Pure. A tracker hears of switching only: a new level, a blip, a gap, and ``check`` at the time it asked for with
``next_check_ms``. Between these the level stands still, so nobody needs to look.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from loadbook.events import Event, StateChanged

NEVER_MS = 1 << 62
MWMS_PER_KWH = 3_600_000 * 1_000_000
"""Energy is counted in integer milliwatt-milliseconds, so that sums are exact."""


@dataclass(slots=True)
class Moment:
    """The reading that just came and the level it stands on.

    ``at_ms`` is the reading's time, ``start_ms`` the first reading of its level, ``before_ms`` the last reading of the
    level before. ``n`` counts readings on the level, not repeats of a held one. ``energy_mwms`` is counted up to
    ``at_ms``, ``start_energy_mwms`` up to ``start_ms``. ``peak_w`` is the highest reading since the last moment told.
    ``volts`` is the mean over the level, None where the log has no voltage.
    """

    at_ms: int
    power_w: float
    level_w: float
    from_w: float
    start_ms: int
    before_ms: int
    n: int
    energy_mwms: int
    start_energy_mwms: int
    peak_w: float
    volts: float | None
    from_volts: float | None
    """The mean over the level before."""
    from_n: int
    """Readings on the level before."""
    from_last_w: float
    """The last of them."""
    resolution_w: float
    """Smallest difference between two readings seen so far, W: what the meter can tell apart."""


class Tracker(Protocol):
    """From levels to phases and cycles."""

    next_check_ms: int
    """``check`` is wanted at the first reading at or after this time; NEVER_MS for not at all."""

    idle_from_ms: int
    """Idling is judged from here on, at the earliest."""

    @property
    def in_cycle(self) -> bool:
        """A cycle is open."""
        ...

    @property
    def cycle_key_ms(self) -> int | None:
        """The open cycle's key."""
        ...

    def level(self, now: Moment) -> list[Event]:
        """A new level is confirmed; ``now`` describes it, and ``now.from_w`` is the mean of the one before."""
        ...

    def blip(self, now: Moment, power_w: float) -> list[Event]:
        """One reading alone left the level and came back (with a slow meter: a short stroke of a motor)."""
        ...

    def gap(self, now: Moment, until_ms: int) -> list[Event]:
        """Nothing is known from ``now.at_ms`` + 10 s until ``until_ms``; the level is closed. Readings go on then, or
        (after more than half an hour, when whatever ran is over) still do not."""
        ...

    def state(self, now: Moment) -> StateChanged | None:
        """What the machine does, in an open cycle; None where nothing can be said."""
        ...

    def check(self, now: Moment) -> list[Event]:
        """The time asked for has come."""
        ...

    def supply_lost(self, now: Moment, since_ms: int) -> list[Event]:
        """The supply has been away since ``since_ms`` (told once, when it is certain)."""
        ...

    def finish(self, now: Moment) -> list[Event]:
        """The log ended here."""
        ...

    def save(self) -> dict[str, Any]:
        """The state, JSON-able and small. Each tracker class has ``restore`` of its own."""
        ...
