"""What hides a phase: a heater that was not switched off, or a part that is missing, so that the next one looks alike.

Pure. A heater whose watts are known (``resistive``) hides no step: the pump or valve of the phase after stands on it.
"""

from __future__ import annotations

from loadbook.recognise import beside
from loadbook.recognise.chart_model import ChartModel, PhaseModel
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.levels import Levels
from loadbook.recognise.options import Fault
from loadbook.recognise.plateau import FINE_MW, FINE_PER_MILLE
from loadbook.recognise.stay import Stay
from loadbook.recognise.stretch import Stretch

STILL_ON = 0.97
"""A level this near to what heaters are known to draw, or above, has them on."""


def heaters(chart: ChartModel, believed: frozenset[Fault]) -> int:
    """The heaters that are believed not to have been switched off, as a mask."""
    return sum(1 << i for kind, i in believed if kind == "unexpected" and chart.resistive_mask >> i & 1)


def left_on(levels: Levels, story: Story, phase: PhaseModel, stretch: Stretch, at_ms: int) -> int:
    """The heaters of the phase, as a mask, that are on still while something else has come on or off beside them: had
    they not been switched off, phases that are over would have looked like this one. Where their watts are not known
    the step tells it, if no motor comes and goes in the phase."""
    mask, parts = phase.resistive_mask, levels.chart.parts
    if not mask or at_ms != stretch.level_ms:
        return 0
    if levels.resistive.all_known(mask):
        firm_w = levels.resistive.sum_w(mask, stretch.volts)
        return mask if min(stretch.level_w, stretch.from_w) > STILL_ON * firm_w > 0 else 0
    on = 0 if phase.motors else story.drew.until(at_ms)[0] & mask
    lows_w = [part.band(stretch.volts)[0] or 0.0 for i, part in enumerate(parts) if on >> i & 1]
    return on if on and stretch.level_w > STILL_ON * sum(lows_w) and beside.tells(levels, stretch) else 0


def on_since_ms(story: Story, heaters_on: int) -> int:
    """Since when heaters that come and go in the phase have been on without a break."""
    pulses = story.now.pulses.items()
    return max((p.on_since_ms for i, p in pulses if heaters_on >> i & 1 and p.drawing), default=0)


def gone(story: Story) -> tuple[int, int]:
    """The parts, as a mask, that are believed to be missing in the phase, or heaters that may come as they like and
    never did, and since when: from then on it looks like one without them."""
    phase = story.phase
    if phase is not None and phase.unheated(story.now.seen_ms):
        return phase.resistive_mask, story.now.early_ms
    missing = [
        (1 << i, s.began_ms)
        for (kind, i), s in story.now.suspects.items()
        if kind == "missing" and s.over_ms is None and s.paid >= 0.99 * story.price_in_full((kind, i))
    ]
    return sum(mask for mask, _ in missing), max((began_ms for _, began_ms in missing), default=0)


def untold(levels: Levels, still: int, phase: PhaseModel, later: PhaseModel, stretch: Stretch) -> bool:
    """Whether it would not have been seen beside heaters that stay on (``still``), and that nobody knows, that the one
    phase has gone on to the other: their parts are small, and draw about the same."""
    if not still or levels.resistive.all_known(still) or phase.pulsing or later.pulsing or not later.on:
        return False
    if (phase.mask | later.mask) & levels.chart.resistive_mask:
        return False
    step_w = sum(levels.usual(i, None) for i in later.on) - sum(levels.usual(i, None) for i in phase.on)
    return abs(step_w) < FINE_MW / 1000 + FINE_PER_MILLE / 1000 * stretch.from_w


def hidden_ms(story: Story, phase: PhaseModel, later: PhaseModel, hiding: int, since_ms: int, at_ms: int) -> int | None:
    """When the next phase may have begun unnoticed, but for the parts that hide it (since when), which it has not (0:
    it is too small to be seen): the one before it held as long as it might. None where it cannot have run."""
    if hiding and (later.mask & hiding or later.mask | hiding != phase.mask):
        return None
    least_ms = story.now.early_ms + story.now.paused_ms + phase.min_ms
    most_ms = story.now.late_ms + story.now.paused_ms + phase.max_ms
    start_ms = max(min(most_ms, at_ms - later.min_ms), since_ms)
    return start_ms if least_ms <= start_ms <= at_ms - later.min_ms else None


def split(left: Stay, place: int, start_ms: int) -> Stay:
    """The later part of a stay that is over, as a phase of its own; the stay then ends where that begins."""
    hidden = left.copy()
    share = (start_ms - left.early_ms) / max((left.end_ms or start_ms) - left.early_ms, 1)
    left.end_ms, left.end_mwms = start_ms, left.start_mwms + int((left.end_mwms - left.start_mwms) * share)
    hidden.place, hidden.early_ms, hidden.late_ms, hidden.alike = place, start_ms, start_ms, False
    hidden.start_mwms, hidden.paused_ms, hidden.late_mwms = left.end_mwms, 0, -1
    hidden.suspects, hidden.flags = {}, {}
    return hidden


def begins(
    levels: Levels, story: Story, here: PhaseModel | None, stretch: Stretch, at_ms: int, believed: frozenset[Fault]
) -> bool:
    """Whether a phase that begins now begins with its own parts' step."""
    before = story.phase
    if here is None or before is None or at_ms != stretch.level_ms:
        return False
    if stepped(levels, before, here, stretch, heaters(levels.chart, believed)):
        return True
    drew = story.drew.until(at_ms)[0]
    on = drew & levels.chart.resistive_mask
    if not on or before.motors or here.on_mask | on == drew or not beside.tells(levels, stretch):
        return False
    return not beside.odd(levels, here, drew, here.on_mask | on, stretch)


def stepped(levels: Levels, before: PhaseModel, here: PhaseModel, stretch: Stretch, stuck: int) -> bool:
    """Whether the level stands above the one before by what the phase's own parts draw, a stroke with them; or above
    heaters that are known and were not switched off. ``stuck``: which of them are known for that, as a mask."""
    parts, old, step_w = levels.chart.parts, before.mask, stretch.step_w
    own_w = sum(parts[i].expected_w(stretch.volts) for i in here.on if not old >> i & 1)
    on = before.resistive_mask & ~here.mask | stuck
    if on and own_w > 5 and levels.resistive.all_known(on):
        beside_w = stretch.level_w - levels.base_w - levels.resistive.sum_w(on, stretch.volts)
        if 0.5 * own_w < beside_w < 1.6 * own_w + 5:
            return True
    strokes_w = [parts[i].expected_w(stretch.volts) for i in here.pulsing if not old >> i & 1]
    return 0.5 * own_w < step_w < 1.6 * own_w + 5 or any(
        0.5 * own_w + 0.25 * w < step_w < 1.6 * (own_w + w) + 5 for w in strokes_w
    )
