"""What is said about readings: phase, cycle, alert, and that one of them has changed.

Store, transport and dashboard carry these without knowing who judged. ``as_contract`` gives the outside form of
section 4 of the contract; nothing else in the house writes those keys. Times are integer milliseconds since 1970 (UTC).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any, Literal

Outcome = Literal["completed", "stopped_early", "running"]
PhaseVerdict = Literal["ok", "too_long", "too_short", "low", "high", "missing", "unexpected"]
Verdict = Literal["pass", "attention"]

ALERT_KINDS: tuple[str, ...] = (
    "phase_too_long",
    "phase_too_short",
    "phase_missing",
    "phase_out_of_order",
    "component_missing",
    "component_unexpected",
    "power_low",
    "power_high",
    "stopped_early",
    "never_ending",
    "power_lost",
    "meter_silent",
    "supply_voltage",
    "supply_frequency",
    "supply_impedance",
    "standby_high",
)


def iso(at_ms: int | None) -> str | None:
    """Milliseconds since 1970 as ISO 8601 with ``Z``; whole seconds without a fraction."""
    if at_ms is None:
        return None
    seconds, ms = divmod(at_ms, 1000)
    text = datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{text}.{ms:03d}Z" if ms else f"{text}Z"


@dataclass(slots=True)
class Phase:
    """One phase of a cycle, measured. ``id`` is null without a chart; times are null for a phase that did not come."""

    id: str | None
    stage: str
    start_ms: int | None
    end_ms: int | None
    power_w: float | None = None
    energy_kwh: float | None = None
    on: list[str] = field(default_factory=list)
    verdict: PhaseVerdict = "ok"
    cost: str | None = field(default=None, compare=False)
    """Decimal text in the cycle's currency, where the cycle is costed."""

    def as_contract(self) -> dict[str, Any]:
        return {
            "id": self.id,
            "stage": self.stage,
            "start": iso(self.start_ms),
            "end": iso(self.end_ms),
            "power_w": self.power_w,
            "energy_kwh": self.energy_kwh,
            "on": list(self.on),
            "verdict": self.verdict,
        }


@dataclass(slots=True)
class PartMeasured:
    """What one component was seen to draw in one phase: the mean over its judged windows, with the machine's standby
    and the other parts' draw subtracted. ``at_rated_w`` is that at the part's rated voltage (resistive parts only
    differ), null where the log has no voltage; ``resistance_ohm`` is V²/P of a resistive part, null likewise.
    """

    component: str
    phase: str | None
    power_w: float
    seconds: float
    at_rated_w: float | None = None
    resistance_ohm: float | None = None


@dataclass(slots=True)
class Cycle:
    """One run of a programme. ``key_ms`` names it for good: the instant at which it was first suspected."""

    key_ms: int
    start_ms: int
    end_ms: int
    programme: str | None = None
    outcome: Outcome = "running"
    energy_kwh: float | None = None
    peak_w: float | None = None
    standby_w: float | None = None
    phases: list[Phase] = field(default_factory=list)
    verdict: Verdict = "pass"
    cost: str | None = None
    """Decimal text, so that money is exact; the contract's number is made from it."""
    currency: str | None = None
    own_kwh: float | None = None
    """Of the energy, what came from the site's own generation; None where nothing says so. Not in the contract."""
    saved: str | None = None
    """What own energy saved against buying all, as decimal text. Not in the contract."""
    parts: list[PartMeasured] = field(default_factory=list)

    def as_contract(self) -> dict[str, Any]:
        return {
            "start": iso(self.start_ms),
            "end": iso(self.end_ms),
            "programme": self.programme,
            "outcome": self.outcome,
            "energy_kwh": self.energy_kwh,
            "cost": None if self.cost is None else float(self.cost),
            "currency": self.currency,
            "peak_w": self.peak_w,
            "standby_w": self.standby_w,
            "phases": [p.as_contract() for p in self.phases],
            "verdict": self.verdict,
        }


@dataclass(slots=True)
class Cause:
    """A likely cause: what, why the record points there, and what to check next."""

    cause: str
    because: str
    check: str
    safety: str | None = None

    def as_contract(self) -> dict[str, Any]:
        row = {"cause": self.cause, "because": self.because, "check": self.check}
        if self.safety:
            row["safety"] = self.safety
        return row


@dataclass(slots=True)
class Alert:
    """One finding: what, where, since when, raised when, what was measured and the band it should be in."""

    kind: str
    began_ms: int
    raised_ms: int
    cleared_ms: int | None = None
    cycle_key_ms: int | None = None
    phase: str | None = None
    component: str | None = None
    measured: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str | None = None
    causes: list[Cause] = field(default_factory=list)

    @property
    def key(self) -> str:
        """Names the alert for good within one machine."""
        return f"{self.kind}/{self.raised_ms}/{self.phase or ''}/{self.component or ''}"

    def as_contract(self, cycle_index: int | None) -> dict[str, Any]:
        """``cycle_index`` is the place of its cycle in the list beside it, or None."""
        return {
            "kind": self.kind,
            "cycle": cycle_index,
            "phase": self.phase,
            "component": self.component,
            "began_at": iso(self.began_ms),
            "raised_at": iso(self.raised_ms),
            "cleared_at": iso(self.cleared_ms),
            "measured": self.measured,
            "low": self.low,
            "high": self.high,
            "unit": self.unit,
            "causes": [c.as_contract() for c in self.causes],
        }


@dataclass(frozen=True, slots=True)
class CycleChanged:
    """A cycle began, went into another phase, was seen differently, or ended: the whole cycle as it is known now.

    ``dropped`` is true when what was suspected turned out to be no cycle: forget it.
    """

    at_ms: int
    cycle: Cycle
    dropped: bool = False


@dataclass(frozen=True, slots=True)
class AlertChanged:
    """An alert was raised, its evidence grew, or it cleared: the whole alert as it stands.

    ``withdrawn`` is true when later readings took the ground away (say, another programme turned out to be running).
    """

    at_ms: int
    alert: Alert
    withdrawn: bool = False


@dataclass(frozen=True, slots=True)
class StateChanged:
    """What the machine does now, for the page at a glance.

    ``state`` is ``idle``, ``running``, ``no_power`` or ``silent``. ``phase`` is the chart's phase id where there is
    one; ``until_ms`` is when the phase's ``max_s`` runs out, where charted.
    """

    at_ms: int
    state: str
    since_ms: int
    phase: str | None = None
    stage: str | None = None
    until_ms: int | None = None


Event = CycleChanged | AlertChanged | StateChanged


def moved(event: Event, by_ms: int) -> Event:
    """The same said of readings that lie ``by_ms`` later: every time of it moves, what was measured stays."""
    if by_ms == 0:
        return event

    def at(ms: int | None) -> int | None:
        return None if ms is None else ms + by_ms

    if isinstance(event, CycleChanged):
        cycle = event.cycle
        phases = [replace(p, start_ms=at(p.start_ms), end_ms=at(p.end_ms)) for p in cycle.phases]
        later = replace(
            cycle,
            key_ms=cycle.key_ms + by_ms,
            start_ms=cycle.start_ms + by_ms,
            end_ms=cycle.end_ms + by_ms,
            phases=phases,
        )
        return CycleChanged(event.at_ms + by_ms, later, event.dropped)
    if isinstance(event, AlertChanged):
        alert = replace(
            event.alert,
            began_ms=event.alert.began_ms + by_ms,
            raised_ms=event.alert.raised_ms + by_ms,
            cleared_ms=at(event.alert.cleared_ms),
            cycle_key_ms=at(event.alert.cycle_key_ms),
        )
        return AlertChanged(event.at_ms + by_ms, alert, event.withdrawn)
    return replace(event, at_ms=event.at_ms + by_ms, since_ms=event.since_ms + by_ms, until_ms=at(event.until_ms))
