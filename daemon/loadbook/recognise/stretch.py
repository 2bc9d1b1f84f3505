"""The open level, as the stories are told about it. Pure."""

from __future__ import annotations

from dataclasses import dataclass

BRIEF_N, BRIEF_MS = 2, 5_000
"""A slow meter's level of so few readings is a transition as well, unless it reads more seldom still."""


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
    void: bool = False
    """Nothing may be concluded from it: the supply is away."""

    @property
    def step_w(self) -> float:
        """By how much it stands above the level before."""
        return self.level_w - self.from_w

    def brief(self, end_ms: int) -> bool:
        """Whether it is a transition, seen by a slow meter."""
        return self.n <= BRIEF_N and end_ms - self.start_ms <= BRIEF_MS
