"""What each kind of alert is called, how soon a person must act, and what to do first.

A table of the trade, pure data: the kinds are the contract's, the words and priorities are ours. Three priorities are
enough for a workshop (alarm practice after IEC 62682: every alarm asks for an action, and few are urgent).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Priority = Literal["high", "medium", "low"]

PRIORITY_WORDS: dict[str, str] = {"high": "Act now", "medium": "Act today", "low": "When convenient"}
PRIORITY_ORDER: dict[str, int] = {"high": 0, "medium": 1, "low": 2}


@dataclass(frozen=True, slots=True)
class AlertKind:
    """``title`` may name ``{part}`` and ``{phase}``; ``over`` is the same once it is over, where that differs;
    ``first`` is the one thing to do before looking further."""

    title: str
    priority: Priority
    first: str
    over: str = ""


ALERT_TABLE: dict[str, AlertKind] = {
    "phase_too_long": AlertKind(
        "{phase} is taking too long", "medium", "Look at the machine: is it still working?", "{phase} took too long"
    ),
    "phase_too_short": AlertKind("{phase} ended too soon", "low", "Compare this phase with a good cycle."),
    "phase_missing": AlertKind("{phase} did not happen", "medium", "Check that the right programme was chosen."),
    "phase_out_of_order": AlertKind("{phase} came out of order", "low", "Check that the right programme was chosen."),
    "component_missing": AlertKind(
        "{part} is not drawing", "medium", "Stop the cycle before opening anything.", "{part} did not draw"
    ),
    "component_unexpected": AlertKind(
        "{part} draws when it should be off",
        "high",
        "Switch off at the wall if a heater stays on.",
        "{part} drew when it should have been off",
    ),
    "power_low": AlertKind(
        "{part} draws too little", "medium", "Compare with the rating plate.", "{part} drew too little"
    ),
    "power_high": AlertKind(
        "{part} draws too much", "high", "Stop the machine if anything smells or is hot.", "{part} drew too much"
    ),
    "stopped_early": AlertKind("The cycle stopped early", "medium", "Look at the machine's own display."),
    "never_ending": AlertKind(
        "The cycle does not end", "medium", "Stop the machine by hand.", "The cycle ran far too long"
    ),
    "power_lost": AlertKind("The supply was lost", "medium", "Check plug, switch and breaker."),
    "meter_silent": AlertKind(
        "The meter is silent", "medium", "Check the meter's supply and its data line.", "The meter was silent"
    ),
    "supply_voltage": AlertKind(
        "Supply voltage is outside its band",
        "medium",
        "Ask a licensed electrician.",
        "Supply voltage was outside its band",
    ),
    "supply_frequency": AlertKind(
        "Supply frequency is outside its band",
        "low",
        "Compare with another meter.",
        "Supply frequency was outside its band",
    ),
    "supply_impedance": AlertKind(
        "The supply sags too much under load",
        "high",
        "Stop using the outlet; ask a licensed electrician.",
        "The supply sagged too much under load",
    ),
    "standby_high": AlertKind(
        "Standby draw is too high", "low", "See whether the machine was left on.", "Standby draw was too high"
    ),
}

_OTHER = AlertKind("Something to attend to", "medium", "Look at the machine.")


def alert_kind(kind: str) -> AlertKind:
    """The row of a kind; a kind nobody has written a row for gets a plain one."""
    return ALERT_TABLE.get(kind, _OTHER)


def alert_title(kind: str, part: str | None = None, phase: str | None = None, over: bool = False) -> str:
    """The headline: ``alert_title("component_missing", part="Heater")`` is "Heater is not drawing"; "Heater did not
    draw" once it is ``over``.

    Without a part, its phase stands for it ("Main heat draws too little"); without either, "The machine".
    """
    row = alert_kind(kind)
    title = ((over and row.over) or row.title).format(part=part or phase or "The machine", phase=phase or "A phase")
    return title[:1].upper() + title[1:]
