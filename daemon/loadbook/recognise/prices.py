"""What every oddity costs a hypothesis, in nats: the odds against its happening, in one table.

Pure. The figures are of our own making, set by how often the thing happens on healthy but untidy machines; only their
order matters much: a short phase is likelier than a missing one, a weak part likelier than a foreign one.
"""

from __future__ import annotations

PRICE: dict[str, float] = {
    "missing": 7.0,
    "low": 6.5,
    "high": 5.5,
    "unexpected": 9.0,
    "trickle": 4.0,
    "excess": 11.0,
    "heats": 16.0,  # an excess that only a heater can draw, where none comes any more
    "idle": 6.0,
    "phase_low": 5.0,
    "phase_high": 6.5,
}
LEAST_PRICE = min(PRICE.values())
RAMP_S: dict[str, tuple[tuple[float, float], ...]] = {
    # how much of the price is due after so many seconds; between two points in a straight line
    "missing": ((3.0, 0.02), (10.0, 0.35), (14.0, 1.0)),
    "low": ((5.0, 0.0), (20.0, 1.0)),
    "high": ((5.0, 0.0), (20.0, 1.0)),
    "unexpected": ((3.0, 0.0), (14.0, 1.0)),
    "trickle": ((3.0, 0.0), (20.0, 1.0)),
    "excess": ((3.0, 0.0), (20.0, 1.0), (600.0, 2.0)),
    "heats": ((3.0, 0.0), (20.0, 1.0), (600.0, 2.0)),
    "idle": ((3.0, 0.02), (10.0, 0.3), (20.0, 0.6), (30.0, 0.82), (60.0, 1.0)),
    "phase_low": ((15.0, 0.0), (60.0, 1.0)),
    "phase_high": ((5.0, 0.0), (20.0, 1.0)),
    "novel": ((5.0, 0.0), (20.0, 1.0)),
}

NEXT_PHASE = 0.5
NOT_YET = 0.06
"""On top, where the phase left may not even have begun: as much as makes one story cheaper than another."""
SKIP_OPTIONAL = 0.4
SKIP_NEEDED = 7.7
SKIP_UNSEEN = 0.5
SKIP_UNSTEPPED = 3.0
"""On top, for a needed phase left out in the middle of a level that stands still, or between two that look the same."""
OUT_OF_ORDER, OUT_OF_ORDER_FAR = 3.8, 1.2
"""On top of what leaving it out has cost already: right beside the phase it came after, and for every phase further
off."""
TOO_SHORT, TOO_SHORT_MORE = 5.0, 4.0
SHORT_FOR_WANT = 2.5
"""On top, for a phase that would be too short where the next one looks the same but for a part: that part has rather
gone, and a part is said before a phase."""
NEVER_HEATED = 7.0
"""A phase for heating or drying that has had its most time and never heated has ended: it has rather not."""
TOO_LONG, TOO_LONG_MORE, TOO_LONG_QUIET, TOO_LONG_DOUBLE = 4.0, 5.0, 3.0, 3.0
TOO_LONG_EXCUSED, TOO_LONG_ALIKE = 0.1, 0.5
"""Of it, where a part that is missing or weak explains it; and where the next phase would look the same."""
LINGERS, HURRIES = 2.5, 0.8
"""The most that a phase's length costs within its limits, where its usual length is known: half way to ``max_s``, and
at ``min_s``."""
PATTERN, LONG_STROKE = 1.5, 8.0
SPREADS_N, REVERSES, REVERSES_MOST_N = 3, 0.75, 6
"""So many short strokes running, all standing still between them, spread the laundry before it is spun; each further
one costs a phase for spinning, so many at most: the drum washes, rinses or loosens. Each costs where it ends so."""
HEAT_AGAIN, RESTED, RESTED_MS = 4.0, 2.5, 120_000
"""A thermostat that rests so many times longer than ever before, and at least so long, and then heats again: the phase
had rather ended, and another has begun."""
NO_STROKE, TURNS_MS = 3.0, 100_000
"""Loosening and anti-crease turn the drum for seconds: a turn this long was rather something else."""
NO_STEP = 9.0
"""One part takes over from another in the middle of a level that stands still."""
OFF_LATER = 3.5
"""On top, for a part that draws more, or a heater that draws less, though it drew what it should before in the same
phase: something else has rather come on, or gone off beside it."""
DIED = 2.5
"""On top, for a part that drew before in a phase that may end now, less where its least time is far: what never came
after it is likelier broken."""
STILL_ON = 4.0
"""On top, for a part that was on in the phase before: that phase has rather gone on."""
STUCK_ON = 4.5
"""Off, where this phase's own parts were seen to come on beside it and it has not been off since: it has rather not
been switched off."""
LIKE_NEXT, LIKE_NEXT_MS = 4.0, 20_000
"""On top, for a foreign part that draws alone for as long as the next phase takes, which is that part and no other:
that phase has rather come. Not for less than so long."""
HEATS_IN_THE_END = 5.0
"""On top, for a heater that comes on in a phase after the last needed one: what is through does not heat."""
AGAIN, STAYS_ON = 0.25, 0.03
"""Of its price, for a fault that the same part had before; and for a heater that was never switched off since."""
STANDING = 3.0
MOTOR_QUIET = 6.0
IDLE_WHEN_RIPE, STILL_WHEN_RIPE = 3.4, 2.0
"""On top, where all stands still, or a reversing drum does, and the phase may have ended: it rather has, and the next
phase's part does not come."""
NOVEL_MOST, NOVEL_LOG = 8.0, 1.5
STEP_OF_NEXT, STEP_NEAR = 5.0, (0.7, 1.25)
"""On top, where a steady part would draw more all at once by just what a part of the next phase draws (times its
plate): that part has rather come on beside it."""
KNOWN_AS = 8.0
"""On top, where it draws just what another part was seen to draw alone: it is rather that one."""
NOVEL_STEADY, NOVEL_STROKES = (1.12, 1.45), (1.3, 1.75)
"""A part that was steady draws this much more or less than it ever did: free up to the first factor, dear from the
second; a stroking one varies anyway."""
LOG_BEGINS_INSIDE = 2.0
NEW_CYCLE, NEW_CYCLE_STROKE, NEW_CYCLE_EARLY, NEW_CYCLE_UNASKED = 1.0, 6.0, 5.0, 9.5
"""After the end; after it, where the last phase explains the level as well; before it; before it, likewise."""
BEGAN_BEFORE = 4.0
"""On top, where a motor or a heater was drawing already: a cycle begins when the machine comes on."""
WORKS_AGAIN = 3.0
"""A last phase that washes, heats or dries goes on after minutes at a standstill: it had rather ended."""
STOPPED = 11.0
DROPPED = 3.0
STROKE_AFTER_END = 9.0
"""A stroke after the end that the last phase explains: it has rather not ended."""
AFTER_END_DOUBLE, STRONG_W = 2.0, 40.0
"""For a minute of a motor or a heater after the end, and for every doubling: no lamp or display draws so much."""
AFTER_END_HEATS = 14.0
"""Likewise, where only a heater can draw so much: what is through does not heat."""
BLIP_AFTER_END = 1.0
"""One reading of a stroke after the end: an anti-crease tumble read by a slow meter."""
MARGIN = 4.0
"""Another programme still fits while it is less than this behind."""
HOPELESS = 16.0
"""A hypothesis this far behind the best is given up."""
BEAM = 16
KEPT_OF_CLEARED = 0.15
"""Of the price of a fault that went away before it was believed, this much stays."""


def due(kind: str, seconds: float) -> float:
    """The share of the price that is due after a fault has shown for so long."""
    points = RAMP_S[kind]
    at_s, share = points[0]
    if seconds <= at_s:
        return share * seconds / at_s if at_s else share
    for next_s, next_share in points[1:]:
        if seconds <= next_s:
            return share + (next_share - share) * (seconds - at_s) / (next_s - at_s)
        at_s, share = next_s, next_share
    return share
