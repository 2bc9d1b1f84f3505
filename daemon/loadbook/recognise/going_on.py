"""Going on to the next phase: what leaving costs, and what speaks against a phase that begins now.

Pure. How stories branch is in ``beam``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from loadbook.recognise import prices
from loadbook.recognise.chart_model import PhaseModel
from loadbook.recognise.familiar import FULL_MS
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.levels import Levels
from loadbook.recognise.options import Option, Options
from loadbook.recognise.stay import FIRST_REST_MS, Suspect
from loadbook.recognise.stretch import Stretch


def explains(
    levels: Levels, story: Story, phase: PhaseModel, stretch: Stretch, odds: Callable[[int], float] | None = None
) -> tuple[Option, float]:
    """How the story's own phase explains the level, should it last. ``odds``: what its step costs (``choose``)."""
    options = levels.explain(phase, stretch.level_w, stretch.volts)
    return story.choose(options, FULL_MS, stretch.level_w, phase.pulsing_mask, step_w=stretch.step_w, odd=odds)


def swaps(levels: Levels, story: Story, phase: PhaseModel, options: Options, stretch: Stretch) -> bool:
    """Whether one part would have to take over from another at the very same watts, without a step."""
    here = explains(levels, story, phase, stretch)[0].mask
    return all(option.mask != here for option in options)


def owed(story: Story, phase: PhaseModel, at_ms: int, may_end: bool) -> float:
    """What leaving the phase costs, since leaving does not make it likelier: what is not due yet where nothing drew as
    it should; and, where the cycle may end (``may_end``), that a part which tells of its end had rested too long."""
    now, cost = story.now, 0.0
    if may_end:
        pulses = [now.pulses[i] for i in phase.telling if i in now.pulses]
        late = any(p.n and p.rest_since_ms is not None and at_ms - p.rest_since_ms > p.overdue_ms() for p in pulses)
        cost = prices.PATTERN if late else 0.0
    if now.odd_least and not phase.resistive_mask:
        cost += now.odd_least * (1.0 - prices.due("novel", (at_ms - now.early_ms) / 1000))
    return cost


def never_came(story: Story, phase: PhaseModel, at_ms: int) -> bool:
    """Whether a phase in which all comes and goes has shown nothing at all: its rest is that of what drew before it."""
    if phase.on or not phase.telling or story.now.seen_ms or at_ms - story.action_ms <= FIRST_REST_MS:
        return False
    return not any(pulses.n for pulses in story.now.pulses.values())


def alone_since_mask(story: Story) -> int:
    """Foreign parts that have drawn alone without a break since they came on, as a mask: a phase that has one on began
    then, not in the middle of it."""
    return sum(
        1 << part
        for (kind, part), s in story.now.suspects.items()
        if kind == "unexpected" and s.over_ms is None and s.alone_ms and s.alone_ms == s.ms
    )


def prepay(child: Story, options: Options) -> None:
    """A phase that can only have begun faulty, in the middle of a level, has no grace to show its parts."""
    option = min(options, key=lambda o: o.price)
    for fault in option.faults:
        paid = 0.6 * child.price_in_full(fault)
        child.now.suspects[fault] = Suspect(child.now.early_ms, paid=paid)
        child.score += paid


def give_back(levels: Levels, stories: Iterable[Story], stretch: Stretch) -> None:
    """A new cycle's start that the phase before explained as well was dear; what that phase can no longer explain makes
    it cheap again."""
    for story in stories:
        phase = story.before.phase if story.before is not None else None
        if not story.refund or phase is None or levels.at_standby(stretch.level_w):
            continue
        if levels.explain(phase, stretch.level_w, stretch.volts).healthy is None:
            story.score, story.refund = story.score - story.refund, 0.0


def least_owed(story: Story) -> float:
    """What the cheapest fault of the phase has yet to cost: a phase that never was well had one of them."""
    open_ = [(f, s) for f, s in story.now.suspects.items() if s.over_ms is None]
    return min((max(0.0, story.price_in_full(f) - s.paid) for f, s in open_), default=0.0)
