"""What strokes tell. One of a pulsing part that is longer than any so far is dear, also when it has ended. A drum that
reverses, in short strokes with nothing at all drawing between them, washes, rinses or loosens: to spin it turns one
way, what drains draws in between, and its longest turn is its last.

Pure.
"""

from __future__ import annotations

from loadbook.recognise import prices
from loadbook.recognise.chart_model import ChartModel, PhaseModel
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.stay import Pulses, Stay

LONG_STROKES, LONG_STROKES_FULL, LONG_STROKE_MS = 1.2, 0.8, 20_000
"""A stroke is long from so many times the longest so far (more where few were seen), dear that much further on."""
STROKES_LEAST, STROKE_MOST_MS = 6, 60_000
"""Fewer strokes, or longer ones, are no reversing drum: a pump that comes on now and then."""
REVERSES_MS, BRIEF_MS = 25_000, 2_500
"""Strokes of a reversing drum are shorter (6 to 23 s on three washers); a draw that is no longer is a transition."""
STROKE_STAGES = ("fill", "wash", "rinse", "heat", "wait")


def long_stroke(chart: ChartModel, story: Story, part: int, pulses: Pulses, stroke_ms: int) -> float:
    """What it costs that a pulsing part has been on for so long, longer than its strokes were so far."""
    if stroke_ms < LONG_STROKE_MS or chart.valves_mask >> part & 1:
        return 0.0
    longest_ms, n = _strokes(chart, story, part)
    if pulses.n > 2:
        longest_ms, n = max(longest_ms, pulses.longest_on_ms), n + pulses.n
    if n < STROKES_LEAST or longest_ms > STROKE_MOST_MS:
        return 0.0
    times = max(stroke_ms, LONG_STROKE_MS) / max(longest_ms, LONG_STROKE_MS / 2)
    return prices.LONG_STROKE * min(1.0, max(0.0, (times - LONG_STROKES - 2 / n) / LONG_STROKES_FULL))


def ended_stroke(chart: ChartModel, story: Story, phase: PhaseModel, part: int) -> float:
    """The same for a stroke that ended with the last level: that it is over does not make it shorter."""
    pulses = story.now.pulses[part]
    if phase.stage not in STROKE_STAGES or phase.heater_mask or pulses.rest_since_ms is None or not pulses.n:
        return 0.0
    return long_stroke(chart, story, part, pulses, pulses.rest_since_ms - pulses.on_since_ms)


def strokes_ended(chart: ChartModel, story: Story, phase: PhaseModel, mask: int) -> float:
    """What it costs that strokes end with a level in which ``mask`` draws."""
    ended = [i for i, pulses in story.now.pulses.items() if pulses.drawing and not mask >> i & 1]
    return sum(ended_stroke(chart, story, phase, i) for i in ended)


def stroke_cost(chart: ChartModel, story: Story, phase: PhaseModel, at_ms: int) -> float:
    """The same for the stroke with which a phase ends: leaving does not make it shorter."""
    if phase.stage not in STROKE_STAGES or phase.heater_mask:
        return 0.0
    return max(
        (
            long_stroke(chart, story, i, p, at_ms - p.on_since_ms)
            for i, p in story.now.pulses.items()
            if p.drawing and p.n
        ),
        default=0.0,
    )


def _strokes(chart: ChartModel, story: Story, part: int) -> tuple[int, int]:
    """The longest stroke of a pulsing part in the phases behind in which it reversed, and how many there were. Beside a
    heater that is on they are not told apart well enough, and run into one another."""
    phases = chart.programmes[story.programme].phases
    longest_ms = n = 0
    for stay in story.past:
        pulses = stay.pulses.get(part)
        phase = phases[stay.place]
        if pulses is not None and pulses.n > 2 and phase.stage in STROKE_STAGES and not phase.heater_mask:
            longest_ms, n = max(longest_ms, pulses.longest_on_ms), n + pulses.n
    return longest_ms, n


def reverses(stay: Stay, phase: PhaseModel, mask: int, times_ms: tuple[int, int], n: int) -> float:
    """Takes in a level of ``n`` readings in which ``mask`` drew; what it costs a phase for spinning if one more stroke
    of a reversing drum has ended with it."""
    start_ms, end_ms = times_ms
    if mask & phase.drums:
        stay.turning_ms = start_ms if stay.turning_ms is None else stay.turning_ms
        return 0.0
    if not phase.drums or (mask and (n < 2 or end_ms - start_ms < BRIEF_MS)):
        return 0.0
    began_ms, stay.turning_ms = stay.turning_ms, None
    if mask or (began_ms is not None and start_ms - began_ms > REVERSES_MS):
        stay.reversals = 0
    elif began_ms is not None:
        stay.reversals += 1
        over = stay.reversals - prices.SPREADS_N
        return prices.REVERSES if phase.stage == "spin" and 0 < over <= prices.REVERSES_MOST_N else 0.0
    return 0.0


def unspun(stay: Stay, phase: PhaseModel) -> float:
    """What it costs if a phase for spinning ends with strokes of a reversing drum: they are rather the next one's."""
    return prices.REVERSES * min(stay.reversals, prices.SPREADS_N) if phase.stage == "spin" else 0.0


def has_spun(before: PhaseModel, stay: Stay) -> bool:
    """Whether the phase before was for spinning, and a drum has reversed since for so long that none of it was that."""
    return before.stage == "spin" and stay.reversals > prices.SPREADS_N
