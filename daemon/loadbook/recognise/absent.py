"""Parts that have never been seen for certain: beside a heater of which nobody knows what it draws, a pump or a drum
may as well be missing.

Pure. What such a part's absence costs a story is in ``hypothesis``.
"""

from __future__ import annotations

from loadbook.recognise.chart_model import PhaseModel
from loadbook.recognise.options import Option, Options
from loadbook.recognise.stay import Stay

BREAK_MS = 10_000
"""A part that is on for all of a phase may break off so long (contract, section 2)."""


def never_shown(phase: PhaseModel | None, now: Stay) -> bool:
    """Whether a part that is on for all of the phase has not been seen for certain, though the phase has drawn or has
    no other: that all stands still between a heater's turns is then no pause, it is that part that is missing."""
    if phase is None or not phase.on_mask & ~now.shown_mask or phase.pulsing_mask & ~phase.resistive_mask:
        return False
    return bool(now.seen_ms) or len(phase.on) == 1


def still_missing(now: Stay, options: Options) -> tuple[Option, ...]:
    """The explanations with the same part missing as before, where that has never been seen for certain and the level
    does not show it either: nothing says that it has come. Empty where the level shows it, or nothing was missing."""
    gone = [
        fault
        for fault, suspect in now.suspects.items()
        if fault[0] == "missing"
        and suspect.over_ms is None
        and (suspect.seen_beside or suspect.ms > BREAK_MS)
        and not now.shown_mask >> fault[1] & 1
    ]
    if len(gone) != 1 or options.healthy is None or not options.may_do_without(options.healthy, gone[0]):
        return ()
    return tuple(option for option in options if gone[0] in option.faults)
