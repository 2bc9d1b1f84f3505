"""What the machine does now, said where no switching says it: at first, after a silence, when the supply is back.

Pure. Trackers say what has changed; whoever begins to listen, or heard that nothing is known, has to be told what is.
"""

from __future__ import annotations

from collections.abc import Sequence

from loadbook.events import Cycle, Event, StateChanged
from loadbook.recognise.track import Moment, Tracker


class StateTold:
    """``due``: what was said last, if anything, no longer holds."""

    def __init__(self) -> None:
        self.due = True

    def heard(self, events: Sequence[Event]) -> None:
        """What has been said: nothing more is due once a state was among it."""
        for event in events:
            if isinstance(event, StateChanged):
                self.due = event.state == "silent"

    def standing(self, tracker: Tracker, now: Moment, at_standby_w: float) -> list[Event]:
        """The state as of a level, where that can be known: a draw that may yet become a cycle says nothing."""
        if tracker.in_cycle:
            found = tracker.state(now)
        elif now.level_w <= at_standby_w:
            since_ms = tracker.idle_from_ms or now.start_ms
            found = StateChanged(now.at_ms, "idle", min(since_ms, now.at_ms))
        else:
            found = None
        if found is None:
            return []
        self.due = False
        return [found]


def by_stages(now: Moment, cycle: Cycle, stage: str | None) -> StateChanged:
    """A running cycle without a chart: the stage it is in."""
    since_ms = cycle.phases[-1].start_ms if cycle.phases else None
    return StateChanged(now.at_ms, "running", since_ms or cycle.start_ms, None, stage)
