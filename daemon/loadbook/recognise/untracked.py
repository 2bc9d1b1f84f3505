"""The tracker that recognises nothing: for a meter whose supply alone is watched. Pure."""

from __future__ import annotations

from typing import Any

from loadbook.events import Event
from loadbook.recognise.track import NEVER_MS, Moment


class Untracked:
    """No cycles, no phases."""

    next_check_ms = NEVER_MS
    in_cycle = False
    cycle_key_ms: int | None = None

    def level(self, now: Moment) -> list[Event]:
        return []

    def blip(self, now: Moment, power_w: float) -> list[Event]:
        return []

    def gap(self, now: Moment, until_ms: int) -> list[Event]:
        return []

    def check(self, now: Moment) -> list[Event]:
        return []

    def supply_lost(self, now: Moment, since_ms: int) -> list[Event]:
        return []

    def finish(self, now: Moment) -> list[Event]:
        return []

    def save(self) -> dict[str, Any]:
        return {}
