"""What the told story shows of a heater: learned where what draws beside it is known.

Pure. What is known is kept in ``resistive``.
"""

from __future__ import annotations

from dataclasses import dataclass

from loadbook.judge.parts import PartsWatch
from loadbook.recognise.beam import Beam
from loadbook.recognise.chart_model import PhaseModel
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.options import Option
from loadbook.recognise.stretch import Stretch

LEARN_MS = 4_000
FAR_BEHIND = 8.0
"""Rivals so far behind leave no doubt of what is on."""


@dataclass(slots=True)
class HeaterSeen:
    """Looks at the open level of one machine."""

    beam: Beam
    parts: PartsWatch

    def learn(self, story: Story, phase: PhaseModel, option: Option, stretch: Stretch, at_ms: int) -> None:
        """From the told story: what a heater draws, where all that draws beside it is known closely."""
        levels, chart = self.beam.levels, self.beam.chart
        stood_ms = at_ms - max(stretch.start_ms, story.now.early_ms)
        heater = option.mask & chart.resistive_mask
        if stood_ms < LEARN_MS or stretch.n < 3 or not heater or heater & (heater - 1) or phase.band_w is not None:
            return
        part, others = heater.bit_length() - 1, option.mask & ~heater
        if any(i != part and kind != "missing" for kind, i in option.faults):
            return
        own = stretch.level_w
        for i in range(len(chart.parts)):
            if others >> i & 1:
                usual = levels.usual_w.get(i)
                if usual is None or phase.pulsing_mask >> i & 1:
                    return
                own -= usual
        strokes = phase.pulsing_mask & ~chart.resistive_mask
        if strokes and part not in levels.resistive.known and not self._on_floor(story, stretch):
            return
        on_ms = at_ms - self.parts.on_ms.get(part, at_ms)
        sure = self._undisputed(option, stretch, at_ms)
        jumps = option.z >= 0.5 or any(i == part for _, i in option.faults)
        levels.learn_resistive(part, own, stretch.volts, stood_ms if sure else 0, on_ms, jumps)

    def _undisputed(self, option: Option, stretch: Stretch, at_ms: int) -> bool:
        """Whether the same parts draw in every story that is not far behind."""
        limit = self.beam.totals[0] + FAR_BEHIND
        for story, total in zip(self.beam.stories[1:], self.beam.totals[1:], strict=True):
            if total >= limit:
                return True
            other = self.beam.option(story, stretch, at_ms)[0]
            if other is None or other.mask != option.mask:
                return False
        return True

    @staticmethod
    def _on_floor(story: Story, stretch: Stretch) -> bool:
        """Whether a stroking motor that has turned beside the heater rests now."""
        return story.now.strokes_beside and stretch.level_w <= story.now.floor_w * 1.005 + 3
