"""Standby between cycles: idle for twenty minutes at more than the plate allows.

Pure. Fed with levels, not with readings: between two changes the level stands still.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from loadbook.judge.limits import Limits
from loadbook.judge.supply import Breach


@dataclass(slots=True)
class Standby:
    """``since_ms`` is when idling above the limit began; energy since then gives the mean."""

    high_w: float
    idle_ms: int
    since_ms: int | None = None
    since_mwms: int = 0
    raised: bool = False

    @classmethod
    def of(cls, limits: Limits, standby_w: float | None) -> Standby:
        return cls(limits.idle_high_w(standby_w), int(limits.idle_s * 1000))

    def level(self, at_ms: int, start_ms: int, start_mwms: int, level_w: float, idle: bool) -> Breach | None:
        """The level that began at ``start_ms``; ``idle`` where no cycle is open."""
        if idle and level_w > self.high_w:
            if self.since_ms is None:
                self.since_ms, self.since_mwms = start_ms, start_mwms
            return None
        began, self.since_ms = self.since_ms, None
        if self.raised:
            self.raised = False
            return Breach("standby_high", at_ms, began or at_ms, round(level_w, 2), None, self.high_w, "W", over=True)
        return None

    def due_ms(self) -> int | None:
        """When it will be time to judge."""
        return None if self.since_ms is None or self.raised else self.since_ms + self.idle_ms

    def judge(self, at_ms: int, energy_mwms: int) -> Breach | None:
        """Raise where the time has come."""
        due = self.due_ms()
        if due is None or at_ms < due or self.since_ms is None:
            return None
        self.raised = True
        mean_w = (energy_mwms - self.since_mwms) / (at_ms - self.since_ms) / 1000
        return Breach("standby_high", at_ms, self.since_ms, round(mean_w, 2), None, self.high_w, "W")

    def save(self) -> dict[str, Any]:
        return asdict(self)

    def load(self, state: dict[str, Any]) -> None:
        self.since_ms, self.since_mwms, self.raised = state["since_ms"], state["since_mwms"], state["raised"]
