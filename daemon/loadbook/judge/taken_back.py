"""Alerts that were taken back: they come back as they were should their ground return, but not again and again.

Pure. Two stories that are as good as each other may change places with every stroke of a drum; nobody wants to be told.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from typing import Any

from loadbook.events import Alert, Cause

FREE = 1
"""So often an alert may come back at once; then it waits, twice as long each time."""
WAIT_MS = 30_000


@dataclass(slots=True)
class TakenBack:
    """One cycle's alerts that do not stand at the moment, by name."""

    alerts: dict[str, Alert] = field(default_factory=dict)
    times: dict[str, tuple[int, int]] = field(default_factory=dict)
    """How often each was taken back, and when it was last."""

    def put(self, name: str, alert: Alert, at_ms: int) -> None:
        """It has been taken back."""
        self.alerts[name] = replace(alert, cleared_ms=None)
        self.times[name] = (self.times.get(name, (0, 0))[0] + 1, at_ms)

    def waits(self, name: str, at_ms: int) -> bool:
        """Whether it has come and gone so often that it may not come back yet."""
        n, since_ms = self.times.get(name, (0, 0))
        return n > FREE and at_ms - since_ms < WAIT_MS << min(n - FREE - 1, 16)

    def forgive(self) -> None:
        """The log ends: what has its ground comes back now or never."""
        self.times.clear()

    def pop(self, name: str) -> Alert | None:
        """The alert as it was, no longer taken back; None where it never stood."""
        return self.alerts.pop(name, None)

    def save(self) -> dict[str, Any]:
        return {
            "alerts": {name: asdict(alert) for name, alert in self.alerts.items()},
            "times": {name: list(row) for name, row in self.times.items()},
        }

    @classmethod
    def restore(cls, state: dict[str, Any]) -> TakenBack:
        alerts, times = (state["alerts"], state["times"]) if "times" in state else (state, {})  # as it was saved once
        return cls(
            {name: Alert(**{**r, "causes": [Cause(**c) for c in r["causes"]]}) for name, r in alerts.items()},
            {name: (n, ms) for name, (n, ms) in times.items()},
        )
