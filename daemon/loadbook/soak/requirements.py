"""What a soak test requires, from the rating plates, the programme's chart, and limits entered for this test. Pure.

A requirement is one line of the report: what is measured, between which bounds, and where the bounds come from.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from loadbook.errors import InputError
from loadbook.judge.bands import component_band
from loadbook.machine import Machine, PhaseChart, Programme
from loadbook.soak.decide import Accuracy, Bounds
from loadbook.soak.order import OwnLimit

Quantity = Literal["power", "standby", "duration", "events"]

TIME_ACCURACY = Accuracy(class_percent=0.02, fixed=2.0)
"""A duration is known to one reading at either end, 2 s, and to the board's quartz, taken as 0.02 % (from memory:
usual crystals drift by 20 to 100 parts in a million)."""


@dataclass(frozen=True, slots=True)
class Requirement:
    """One requirement. ``subject`` is a component's or a phase's id, or empty for the whole machine."""

    id: str
    quantity: Quantity
    subject: str
    words: str
    unit: str
    bounds: Bounds
    basis: str
    at_rated: bool = False
    """True where a power counts at the part's rated voltage alone, that is, for resistive parts."""

    def accuracy(self, meter: Accuracy | None) -> Accuracy | None:
        """How well the quantity is known with that meter; None where nobody can say.

        A standby of a few watts is ruled by the fixed part of the meter's limit of error: without it, not assessed.
        """
        if self.quantity == "duration":
            return TIME_ACCURACY
        if self.quantity == "events":
            return Accuracy(0.0, 0.0)
        if self.quantity == "standby" and (meter is None or meter.fixed is None):
            return None
        return meter


def requirements(machine: Machine, programme: Programme | None, own: Sequence[OwnLimit]) -> list[Requirement]:
    """All requirements of a test, in the order in which a report gives them.

    A limit entered for the test takes the place of the plate's for that component.
    """
    found = [*_run(programme), *_powers(machine, programme, own), *_durations(programme)]
    standby_w = machine.machine.standby_w
    if standby_w is not None:
        high = max(2.0 * standby_w + 0.5, standby_w + 4.0)
        found.append(
            Requirement("standby", "standby", "", "Draw when idle", "W", Bounds(high=high), "plate, with allowance")
        )
    return found


def _run(programme: Programme | None) -> list[Requirement]:
    none = Bounds(high=0.0)
    found = [
        Requirement("completed", "events", "", "Cycles that did not come to their end", "1", none, "the test itself"),
        Requirement(
            "parts",
            "events",
            "",
            "Parts not drawing, or drawing where they should not",
            "1",
            none,
            "programme chart" if programme else "rating plates",
        ),
    ]
    if programme:
        found.append(
            Requirement("sequence", "events", "", "Phases missing or out of order", "1", none, "programme chart")
        )
    return found


def _powers(machine: Machine, programme: Programme | None, own: Sequence[OwnLimit]) -> list[Requirement]:
    entered = {limit.component: limit for limit in own}
    used = (
        {part for phase in programme.phases for part in (*phase.on, *phase.pulsing)}
        if programme
        else {part.id for part in machine.components}
    )
    found = []
    for part in machine.components:
        limit = entered.get(part.id)
        if limit is None and part.id not in used:
            continue
        if limit is not None:
            bounds, basis = Bounds(limit.low_w, limit.high_w), "entered for this test"
        else:
            band = component_band(part)
            own_tolerance = part.tolerance is not None
            bounds = Bounds(band.low, band.high)
            basis = "plate, own tolerance" if own_tolerance else "plate, IEC 60335-1 table 1"
        volts = machine.rated_voltage_v(part)
        words = f"{_named(part.name, part.id)}: power"
        at_rated = part.nature == "resistive"
        if at_rated:
            words += f" at {volts:g} V"
        found.append(Requirement(f"power/{part.id}", "power", part.id, words, "W", bounds, basis, at_rated))
    return found


def _durations(programme: Programme | None) -> list[Requirement]:
    def one(phase: PhaseChart) -> Requirement:
        bounds = Bounds(phase.min_s or None, phase.max_s)
        words = f"{_named(phase.name, phase.id)}: time"
        return Requirement(f"time/{phase.id}", "duration", phase.id, words, "s", bounds, "programme chart")

    return [one(phase) for phase in programme.phases] if programme else []


def _named(name: str | None, part_id: str) -> str:
    text = name or part_id.replace("_", " ").replace("-", " ")
    return text[:1].upper() + text[1:]


def refuse_undecidable(machine: Machine, own: Sequence[OwnLimit], meter: Accuracy | None) -> None:
    """Refuse limits that cannot be decided, when they are entered. Raises InputError naming the component.

    ``meter`` is None where neither settings nor map state an accuracy; then nothing is refused and the report says
    why nothing could be assessed.
    """
    known = {part.id for part in machine.components}
    for limit in own:
        if limit.component not in known:
            raise InputError(
                f"limits: the machine has no component {limit.component!r}; it has {', '.join(sorted(known)) or 'none'}"
            )
        why = Bounds(limit.low_w, limit.high_w).undecidable(meter) if meter else None
        if why:
            raise InputError(f"limits: {limit.component}: {why}")
