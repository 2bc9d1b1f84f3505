"""Whether a finding is ripe: no rival story that is nearly as cheap does without it.

Pure. What a part draws does not hang on the phase it is put down to: where a rival has the same parts draw, it has
measured the same.
"""

from __future__ import annotations

from loadbook.judge.verdicts import Finding
from loadbook.recognise.beam import Beam
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.stretch import Stretch

BY_PHASE = ("phase_missing", "phase_too_short")
BY_WATTS = ("power_low", "power_high")


def ripe(
    finding: Finding, best: Story, rivals: list[tuple[Story, list[Finding]]], beam: Beam, stretch: Stretch, at_ms: int
) -> bool:
    """Whether ``rivals``, each with what it finds, leave the finding of the told story standing."""
    for story, theirs in rivals:
        if any(finding.same_as(f) for f in theirs) or _measures_too(finding, best, story, beam, stretch, at_ms):
            continue
        if story.programme == best.programme:
            if not theirs and not finding.overdue:
                return False
        elif not theirs or (finding.kind in BY_PHASE and not any(f.kind not in BY_PHASE for f in theirs)):
            return False
    return True


def _measures_too(finding: Finding, best: Story, story: Story, beam: Beam, stretch: Stretch, at_ms: int) -> bool:
    """Whether the part that is out of its band belongs in the rival's phase too, and the same parts draw in both."""
    phase = story.phase
    if finding.kind not in BY_WATTS or finding.part < 0 or finding.place != best.now.place or phase is None:
        return False
    if finding.part not in (*phase.on, *phase.pulsing) or phase.band_w is not None:
        return False
    told, other = (beam.option(s, stretch, at_ms)[0] for s in (best, story))
    return told is not None and other is not None and told.mask == other.mask and bool(told.mask >> finding.part & 1)
