"""The open level, as the stories are told about it. Pure."""

from __future__ import annotations

from dataclasses import dataclass

BRIEF_N, BRIEF_MS = 2, 5_000
"""A slow meter's level of so few readings is a transition as well, unless it reads more seldom still."""

SETTLES_MS = 4_000
"""A motor's inrush, a drum that reverses and a meter's lag are over by then, a heater has not moved: a level that lasts
no longer is a transition."""


@dataclass(slots=True)
class Stretch:
    """The open level: since when, how many watts, at how many volts."""

    start_ms: int
    start_mwms: int
    level_w: float
    volts: float | None
    from_w: float = 0.0
    n: int = 1
    level_ms: int = 0
    """When the level itself began: a stretch may be a later part of it."""
    settled_w: float = 0.0
    """The last reading before it that was on no transition."""
    first_w: float = 0.0
    """What it stood at when it had settled."""
    void: bool = False
    """Nothing may be concluded from it: the supply is away."""

    @property
    def step_w(self) -> float:
        """By how much it stands above the level before."""
        return self.level_w - self.from_w

    @property
    def jump_w(self) -> float:
        """By how much it stood above the last level that was no transition, before it drifted."""
        return self.first_w - self.settled_w

    def settled(self, at_ms: int, cold_w: float) -> bool:
        """Whether the level is no transition by then: neither short nor a single reading. One at which no heater is on
        (``cold_w``) is none, however short."""
        return self.level_w <= cold_w or (self.n > 1 and at_ms - self.level_ms >= SETTLES_MS)

    def brief(self, end_ms: int) -> bool:
        """Whether it is a transition, seen by a slow meter."""
        return self.n <= BRIEF_N and end_ms - self.start_ms <= BRIEF_MS
