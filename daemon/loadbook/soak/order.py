"""A soak test as ordered, and where it stands. Pure.

What is stored is the order and a list of entries (started, paused, note, ended …); everything else - which cycles
count, which cycle runs, whether the test is due to end - is worked out from those and from the ledger's cycles and
alerts. So a power cut or a restart cannot lose a test's place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Self

from pydantic import Field, model_validator

from loadbook.checked import Strict
from loadbook.events import ALERT_KINDS, Alert, Cycle
from loadbook.machine import Id, PartId

EntryKind = Literal["started", "paused", "resumed", "note", "ended"]
State = Literal["waiting", "running", "between", "paused", "ended"]

STOPPING_KINDS: tuple[str, ...] = ("power_high", "never_ending", "component_unexpected")
"""Findings that end a test early unless the order says otherwise: an unattended machine should not go on with them.
Loadbook only stops counting and calls for a person; it cannot switch a machine off."""


class OwnLimit(Strict):
    """A limit entered for this test, in watts at the rated voltage."""

    component: PartId
    low_w: float | None = Field(default=None, ge=0)
    high_w: float | None = Field(default=None, gt=0)

    @model_validator(mode="after")
    def _some(self) -> Self:
        if self.low_w is None and self.high_w is None:
            raise ValueError("has neither low_w nor high_w; give at least one")
        if self.low_w is not None and self.high_w is not None and self.low_w >= self.high_w:
            raise ValueError(f"low_w ({self.low_w:g}) is not below high_w ({self.high_w:g}); swap them")
        return self


class SoakOrder(Strict):
    """What was ordered. Raises InputError through ``loadbook.checked`` with the key at fault."""

    machine: Id
    programme: Id | None = None
    cycles: int | None = Field(default=None, ge=1, le=500)
    until_ms: int | None = Field(default=None, gt=0)
    pause_max_s: float = Field(default=1800.0, ge=0, le=7 * 86_400)
    end_early_on: tuple[str, ...] = STOPPING_KINDS
    limits: tuple[OwnLimit, ...] = ()
    ticket: str = Field(default="", max_length=80)
    technician: str = Field(default="", max_length=80)
    customer: str = Field(default="", max_length=200)
    appliance: str = Field(default="", max_length=200)
    serial_number: str = Field(default="", max_length=80)
    complaint: str = Field(default="", max_length=2000)
    parts_replaced: str = Field(default="", max_length=2000)

    @model_validator(mode="after")
    def _bounded(self) -> Self:
        if self.cycles is None and self.until_ms is None:
            raise ValueError("says neither how many cycles nor until when; give cycles or until_ms")
        for kind in self.end_early_on:
            if kind not in ALERT_KINDS:
                raise ValueError(f"end_early_on: no finding is called {kind!r}; there are {', '.join(ALERT_KINDS)}")
        return self


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a test's diary."""

    at_ms: int
    kind: EntryKind
    author: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a test stands. ``cycles`` are those that count, in order of time."""

    state: State
    since_ms: int
    cycles: tuple[Cycle, ...]
    wanted: int | None
    finished: int
    running: Cycle | None
    waiting_s: float
    overdue: bool
    """True when the pause since the last cycle is longer than the order allows: the machine did not start again."""


def active_spans(entries: Sequence[Entry]) -> list[tuple[int, int | None]]:
    """The times [from, to) in which cycles that begin count for the test; the last may be open (None)."""
    spans: list[tuple[int, int | None]] = []
    for entry in entries:
        if entry.kind in ("started", "resumed") and (not spans or spans[-1][1] is not None):
            spans.append((entry.at_ms, None))
        elif entry.kind in ("paused", "ended") and spans and spans[-1][1] is None:
            spans[-1] = (spans[-1][0], entry.at_ms)
    return spans


def cycles_of(order: SoakOrder, entries: Sequence[Entry], cycles: Sequence[Cycle]) -> list[Cycle]:
    """The cycles that count: begun while the test was active, in order of time.

    A cycle of another programme than the one ordered does not count; one whose programme is not known yet does.
    """
    spans = active_spans(entries)

    def counts(cycle: Cycle) -> bool:
        if order.programme and cycle.programme not in (None, order.programme):
            return False
        return any(start <= cycle.start_ms and (end is None or cycle.start_ms < end) for start, end in spans)

    return sorted((c for c in cycles if counts(c)), key=lambda c: c.start_ms)


def progress(order: SoakOrder, entries: Sequence[Entry], cycles: Sequence[Cycle], now_ms: int) -> Progress:
    """Where the test stands at ``now_ms``. ``entries`` are in order of time and begin with ``started``."""
    mine = cycles_of(order, entries, cycles)
    running = mine[-1] if mine and mine[-1].outcome == "running" else None
    finished = sum(1 for c in mine if c.outcome != "running")
    changes = [e for e in entries if e.kind != "note"]
    last = changes[-1]
    state: State
    if last.kind == "ended":
        state, since_ms = "ended", last.at_ms
    elif last.kind == "paused":
        state, since_ms = "paused", last.at_ms
    elif running is not None:
        state, since_ms = "running", running.start_ms
    elif mine:
        state, since_ms = "between", max(mine[-1].end_ms, last.at_ms)
    else:
        state, since_ms = "waiting", last.at_ms
    waiting_s = (now_ms - since_ms) / 1000.0 if state in ("between", "waiting") else 0.0
    return Progress(
        state=state,
        since_ms=since_ms,
        cycles=tuple(mine),
        wanted=order.cycles,
        finished=finished,
        running=running,
        waiting_s=waiting_s,
        overdue=waiting_s > order.pause_max_s,
    )


def due_to_end(
    order: SoakOrder, entries: Sequence[Entry], cycles: Sequence[Cycle], alerts: Sequence[Alert], now_ms: int
) -> str | None:
    """Why the test is due to end at ``now_ms``, in words for its diary; None while it goes on."""
    now = progress(order, entries, cycles, now_ms)
    if now.state == "ended":
        return None
    keys = {c.key_ms for c in now.cycles}
    for alert in alerts:
        if alert.kind in order.end_early_on and alert.cycle_key_ms in keys:
            number = next(i for i, c in enumerate(now.cycles, 1) if c.key_ms == alert.cycle_key_ms)
            what = alert.component or alert.phase or "the machine"
            return f"ended early: {alert.kind.replace('_', ' ')} ({what}) in cycle {number}"
    if order.cycles is not None and now.finished >= order.cycles:
        return f"{now.finished} of {order.cycles} cycles are done"
    if order.until_ms is not None and now_ms >= order.until_ms and now.running is None:
        return f"the set time was reached after {now.finished} {'cycle' if now.finished == 1 else 'cycles'}"
    return None
