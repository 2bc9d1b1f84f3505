"""What parts were seen to draw in a cycle, and how strange it is that one draws something else all at once.

Pure. A part that is steady is known by its watts: from its own, and where another draws just what it did.
"""

from __future__ import annotations

from math import log

from loadbook.recognise import prices
from loadbook.recognise.chart_model import PhaseModel
from loadbook.recognise.options import Option

Familiar = dict[int, tuple[float, float, int]]
"""By what draws (a mask): from and to how many watts it was seen to draw, and for how long, ms."""
FAMILIAR_MS, FAMILIAR_W, FAMILIAR_SHARE = 4_000, 2.5, 0.05
"""A level must last so long to become familiar, and stand so many watts off what is familiar to be new; off what
another part draws that share as well, as a pump's flow changes."""
STEADY, UNLIKE_Z = 1.6, 0.4
"""A part is known by its watts where they differed by no more than this factor; one not seen yet is not taken for it
where that is as far-fetched as this."""
FULL_MS = 30_000
"""A level is taken to last this long when it is asked whether another phase would explain it better."""


def novelty(
    familiar: Familiar, phase: PhaseModel | None, option: Option, level_w: float, pulsing: int, step_w: float
) -> float:
    """What it costs in full that parts which were steady so far draw something else all at once: the more, the
    longer they were, and the further off it is; and where the step is what a part of the next phase draws, or the
    level what another part was seen to draw. ``pulsing``: which parts vary with every stroke, as a mask."""
    seen = familiar.get(option.mask)
    if option.faults:
        return 0.0
    one_steady = not option.mask & (option.mask - 1 | pulsing)
    if seen is None:
        mistaken = one_steady and doubtful(familiar, option, level_w)
        return prices.KNOWN_AS * min(1.0, option.z / UNLIKE_Z) if mistaken else 0.0
    if seen[0] - FAMILIAR_W <= level_w <= seen[1] + FAMILIAR_W:
        return 0.0
    ratio = seen[0] / level_w if level_w < seen[0] else level_w / seen[1]
    free, full = prices.NOVEL_STROKES if option.mask & pulsing else prices.NOVEL_STEADY
    if ratio <= free:
        return 0.0
    share = min(1.0, log(ratio / free) / log(full / free))
    known = prices.STEP_OF_NEXT if not option.mask & pulsing and _of_next(phase, step_w) else 0.0
    if one_steady and known_as(familiar, option.mask, level_w):
        known, share = known + prices.KNOWN_AS, 1.0
    return known + share * steadiness(seen[2])


def steadiness(seen_ms: int) -> float:
    """What it costs at most that what draws changes all at once, after so long: the longer it was steady, the more."""
    return min(prices.NOVEL_MOST, 1.0 + prices.NOVEL_LOG * log(1 + seen_ms / 20_000))


def doubtful(familiar: Familiar, option: Option, level_w: float) -> bool:
    """Whether what draws may rather be another part, that was seen to draw just this."""
    return option.z > 0.5 * UNLIKE_Z and known_as(familiar, option.mask, level_w)


def known_as(familiar: Familiar, mask: int, level_w: float) -> bool:
    """Whether another part, that is steady, was seen to draw just this alone."""
    for other, (low, high, _) in familiar.items():
        if other == mask or other & (other - 1) or high > low * STEADY + FAMILIAR_W:
            continue
        if (1 - FAMILIAR_SHARE) * low - FAMILIAR_W <= level_w <= (1 + FAMILIAR_SHARE) * high + FAMILIAR_W:
            return True
    return False


def _of_next(phase: PhaseModel | None, step_w: float) -> bool:
    """Whether a step is what the next phase's own parts would add."""
    low, high = prices.STEP_NEAR
    return phase is not None and any(low * w < step_w < high * w for w in phase.steps_w)


def learn(familiar: Familiar, option: Option, level_w: float, ms: int) -> None:
    """A level without fault has lasted: what draws it is known to draw so much, if it is not another part that was
    taken for it."""
    if ms < FAMILIAR_MS or option.faults or not option.mask:
        return
    seen = familiar.get(option.mask)
    if seen is None and ms < FULL_MS and doubtful(familiar, option, level_w):
        return
    low, high, so_far = seen or (level_w, level_w, 0)
    familiar[option.mask] = (min(low, level_w), max(high, level_w), so_far + ms)
