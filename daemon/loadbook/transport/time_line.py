"""The time readings are stamped with: monotonic time plus an offset, so that a step of the clock is never a step here.

Pure: is told both clocks. A board without a battery clock starts in the past and its clock is set later. While the
clock is not known to be right, readings are *provisional*; when it then steps, they are moved with it, all together,
and keep their distances. A step of a clock that was known to be right is followed slowly, as the kernel itself slews
(500 ppm: 1.8 s an hour), so that no cycle is cut and no duration is out by more than 0.05 %.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from loadbook.transport.packs import EARLIEST_MS, Step

STEP_MS = 1000
"""A smaller difference between the clocks is slewed."""
SURE_AFTER = 3
"""A step counts when this many stamps in a row show it: one may be a thread that slept between two clocks."""
SLEW = 0.0005
FAR_MS = 600_000
"""A clock that was held to be right and is out by more than this was not right: what is recent moves with it."""
RECENT_MS = 86_400_000
LONGEST_PROVISIONAL_MS = 7 * 86_400_000
"""Readings older than this stay where they are: a board that never hears the time must not move half a year."""
AFTER_RESTART_MS = 301_000
"""On a new boot whose clock is behind what was last stamped, time goes on this much later: as much may be unwritten."""


@dataclass(slots=True)
class State:
    """What has to survive a restart of the poller."""

    boot: str
    offset_ms: float
    last_at_ms: int
    provisional_from_ms: int | None
    """The first reading whose time may still be moved; None when the clock is known to be right."""
    settled_last_ms: int | None
    """The last reading before those, which nothing may overtake."""


class TimeLine:
    """Stamps for one poller. One thread at a time."""

    def __init__(self, boot: str, saved: dict[str, Any] | None = None) -> None:
        """``boot`` is the board's boot id; ``saved`` what ``save`` gave before, from this boot or an earlier one."""
        self._boot = boot
        self._state: State | None = None
        self._before: State | None = None
        if saved is not None:
            known = State(**{k: saved[k] for k in State.__dataclass_fields__})
            if known.boot == boot:
                self._state = known
            else:
                self._before = known
        self._slewed_at_ms: int | None = None
        self._suspected_ms = 0.0
        self._suspected = 0
        self.out_ms = 0.0
        """The board's clock less this time line, at the last stamp."""

    def save(self) -> dict[str, Any] | None:
        """What to keep for the next start; small, JSON-able."""
        return None if self._state is None else asdict(self._state)

    @property
    def clock_set(self) -> bool:
        """Whether stamps are now known to be right."""
        return self._state is not None and self._state.provisional_from_ms is None

    def stamp(self, mono_ms: int, wall_ms: int, clock_is_set: bool) -> tuple[int, Step | None]:
        """The time of a reading taken at ``mono_ms``, when the board's clock showed ``wall_ms``.

        With it, when the clock has been found to have stepped, which earlier readings are to be moved and by how
        much. Stamps of rising ``mono_ms`` rise, moved ones included.
        """
        if self._state is None:
            self._state = self._begin(mono_ms, wall_ms, clock_is_set)
        state = self._state
        step = self._follow(state, mono_ms, wall_ms, clock_is_set)
        at_ms = max(round(mono_ms + state.offset_ms), EARLIEST_MS)
        if clock_is_set and self._suspected == 0:
            state.provisional_from_ms, state.settled_last_ms = None, at_ms
        elif state.provisional_from_ms is None and not clock_is_set:
            state.provisional_from_ms = at_ms
        elif state.provisional_from_ms is not None and at_ms - state.provisional_from_ms > LONGEST_PROVISIONAL_MS:
            state.provisional_from_ms = at_ms - LONGEST_PROVISIONAL_MS
            state.settled_last_ms = state.provisional_from_ms - 1
        state.last_at_ms = max(state.last_at_ms, at_ms)
        return at_ms, step

    def _begin(self, mono_ms: int, wall_ms: int, clock_is_set: bool) -> State:
        start_ms, last_ms = max(wall_ms, EARLIEST_MS), None
        if self._before is not None:
            last_ms = self._before.last_at_ms
            if start_ms <= last_ms + AFTER_RESTART_MS:
                start_ms = last_ms + AFTER_RESTART_MS if start_ms <= last_ms else max(start_ms, last_ms + 1)
        return State(self._boot, start_ms - mono_ms, start_ms, None if clock_is_set else start_ms, last_ms)

    def _follow(self, state: State, mono_ms: int, wall_ms: int, clock_is_set: bool) -> Step | None:
        if wall_ms < EARLIEST_MS:
            return None  # a clock that was never set says nothing
        self.out_ms = out_ms = wall_ms - mono_ms - state.offset_ms
        if abs(out_ms) < STEP_MS:
            self._suspected = 0
            self._slew(state, mono_ms, out_ms)
            return None
        self._suspected = self._suspected + 1 if abs(out_ms - self._suspected_ms) < STEP_MS / 2 else 1
        self._suspected_ms = out_ms
        if self._suspected < SURE_AFTER:
            return None
        self._suspected = 0
        from_ms = state.provisional_from_ms
        if from_ms is None:
            if abs(out_ms) <= FAR_MS:
                self._slew(state, mono_ms, out_ms)
                return None
            from_ms = max(state.last_at_ms - RECENT_MS, mono_ms_zero(state))
        by_ms = round(out_ms)
        floor_ms = state.settled_last_ms
        if floor_ms is not None and floor_ms >= from_ms:
            floor_ms = from_ms - 1
        if by_ms < 0 and floor_ms is not None:
            by_ms = min(0, max(by_ms, floor_ms + 1 - from_ms))
        if abs(by_ms) < STEP_MS:  # no room to go back: what is left is slewed
            self._slew(state, mono_ms, out_ms)
            return None
        state.offset_ms += by_ms
        state.last_at_ms += by_ms
        if state.provisional_from_ms is not None:
            state.provisional_from_ms += by_ms
        return Step(from_ms, by_ms)

    def _slew(self, state: State, mono_ms: int, out_ms: float) -> None:
        since_ms = 0 if self._slewed_at_ms is None else max(0, mono_ms - self._slewed_at_ms)
        self._slewed_at_ms = mono_ms
        most = since_ms * SLEW
        state.offset_ms += max(-most, min(most, out_ms))


def mono_ms_zero(state: State) -> int:
    """The stamp of the board's start: no reading of this boot is older."""
    return round(state.offset_ms)
