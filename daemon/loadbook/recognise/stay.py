"""One phase as a story has it: when it began and ended, what drew in it, what may be wrong with it.

Pure. Times are ms, energy mW·ms; everything here can be saved as JSON. What it means for the story: ``hypothesis``.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from typing import Any

from loadbook.recognise.options import Fault

PATTERN_RESTS, PATTERN_MORE, PATTERN_MS, FIRST_REST_MS = 1.25, 2.5, 25_000, 150_000
"""A part that pulses is overdue after so many times its longest rest, more where few were seen, but not before."""


@dataclass(slots=True)
class Suspect:
    """A fault in the current phase. ``ms`` is how long it has shown, since ``began_ms``; ``w_ms`` sums W·ms of it."""

    began_ms: int
    ms: int = 0
    w_ms: float = 0.0
    paid: float = 0.0
    streak_ms: int = 0
    """Of these, without a break up to now."""
    still_ms: int = 0
    """Of ``ms``, while nothing at all drew."""
    again: bool = False
    """It was there before in this phase, and went away."""
    alone_ms: int = 0
    """Without a break up to now, while nothing else drew."""
    over_ms: int | None = None
    seen_beside: bool = False
    """Something of the phase was drawing, or had drawn, when it began."""
    before: Suspect | None = None
    """The same fault earlier in the phase, when it is over: the longest time that it showed."""

    def anew(self, at_ms: int, seen_beside: bool) -> Suspect:
        """The same fault, which is over, come again."""
        longest = self if self.before is None or self.before.ms < self.ms else self.before
        return Suspect(at_ms, paid=self.paid, again=True, seen_beside=seen_beside, before=replace(longest, before=None))

    @classmethod
    def restore(cls, state: dict[str, Any]) -> Suspect:
        before = state.get("before")
        return cls(**{**state, "before": None if before is None else cls.restore(before)})


@dataclass(slots=True)
class Pulses:
    """Strokes of one pulsing part in the current phase."""

    n: int = 0
    longest_rest_ms: int = 0
    rest_since_ms: int | None = None
    on_since_ms: int = 0
    longest_on_ms: int = 0
    drawing: bool = False
    silent_ms: int | None = None
    """Since when it is missing by the rule of three rests."""

    def overdue_ms(self) -> float:
        """How long its rest may be before one wonders."""
        rests = PATTERN_RESTS + PATTERN_MORE / max(self.n, 3)
        return max(rests * self.longest_rest_ms, PATTERN_MS if self.n > 2 else FIRST_REST_MS)


@dataclass(slots=True)
class Stay:
    """One phase as this story has it. It began between ``early_ms`` and ``late_ms``: phases that look alike leave that
    open. ``paused_ms`` is time without supply or standing still, which does not count against ``max_s``."""

    place: int
    early_ms: int
    late_ms: int
    start_mwms: int
    end_ms: int | None = None
    end_mwms: int = 0
    paused_ms: int = 0
    late_limit_ms: int = 0
    late_mwms: int = -1
    """Energy by ``late_ms``; -1 where nobody counted it."""
    alike: bool = True
    unseen: bool = False
    stepped: bool = False
    """It began with a step up by about what its own parts draw."""
    z_paid: float = 0.0
    floor_w: float = 0.0
    """The lowest level of it, with all its parts on: what stands above is a pulsing motor's."""
    alone_mask: int = 0
    """Parts that were seen drawing alone: no other's draw can have passed for theirs."""
    shown_mask: int = 0
    """Parts that are on for all of it without which some level could not be explained."""
    off_mask: int = 0
    """Parts that cannot have drawn at some level of it."""
    odd_least: float | None = None
    """How far-fetched its own parts' draw has been at best, in full; None where none was seen yet."""
    strokes_beside: bool = False
    """Strokes have been seen to stand on it."""
    turning_ms: int | None = None
    """Since when the drum turns."""
    reversals: int = 0
    """Its short strokes running, nothing drawing between them."""
    least_told: bool = False
    most_told: bool = False
    action_ms: int = 0
    well_ms: int = 0
    """How long its level was explained without a fault."""
    seen_ms: dict[int, int] = field(default_factory=dict)
    suspects: dict[Fault, Suspect] = field(default_factory=dict)
    pulses: dict[int, Pulses] = field(default_factory=dict)
    flags: dict[str, tuple[int, float]] = field(default_factory=dict)
    """too_long, too_short, out_of_order: since when it is proven, and seconds."""

    def copy(self) -> Stay:
        """For a phase that is left: what is read only of the current one (its floor, strain, step) stays behind."""
        return Stay(
            self.place,
            self.early_ms,
            self.late_ms,
            self.start_mwms,
            self.end_ms,
            self.end_mwms,
            self.paused_ms,
            self.late_limit_ms,
            self.late_mwms,
            self.alike,
            self.unseen,
            least_told=self.least_told,
            most_told=self.most_told,
            action_ms=self.action_ms,
            seen_ms=dict(self.seen_ms),
            suspects={f: replace(s) for f, s in self.suspects.items()},
            pulses={i: replace(p) for i, p in self.pulses.items()},
            flags=dict(self.flags),
        )

    def stands(self, fault: Fault) -> bool:
        """Whether a fault was there when it ended."""
        return fault in self.suspects and self.suspects[fault].over_ms is None

    def is_odd(self) -> bool:
        """Whether anything in it may be worth a finding, now that it is behind."""
        return bool(self.suspects or self.flags) or any(p.silent_ms is not None for p in self.pulses.values())

    def save(self) -> dict[str, Any]:
        state = asdict(self)
        state["suspects"] = [[*f, asdict(s)] for f, s in self.suspects.items()]
        state["seen_ms"] = [list(x) for x in self.seen_ms.items()]
        state["pulses"] = [[i, asdict(p)] for i, p in self.pulses.items()]
        return state

    @classmethod
    def restore(cls, state: dict[str, Any]) -> Stay:
        state = dict(state)
        state["suspects"] = {(kind, part): Suspect.restore(s) for kind, part, s in state["suspects"]}
        state["seen_ms"] = {i: ms for i, ms in state["seen_ms"]}
        state["pulses"] = {i: Pulses(**p) for i, p in state["pulses"]}
        state["flags"] = {name: tuple(value) for name, value in state["flags"].items()}
        return cls(**state)
