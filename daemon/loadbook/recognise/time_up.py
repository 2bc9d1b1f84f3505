"""When the least and the most time of the stories' phases are up: then it is looked at again, whatever the level does.

Pure.
"""

from __future__ import annotations

from collections.abc import Iterable

from loadbook.recognise.chart_model import GRACE_MS
from loadbook.recognise.hypothesis import Story

OVERRUN_RAMP_MS = 22_000
"""So long after a phase's most time its overrun has become as dear as a rival might wait for."""


def time_is_up(stories: Iterable[Story], at_ms: int) -> bool:
    """Whether a phase's least or most time has come since it was last looked at; told once for each."""
    up = False
    for story in stories:
        phase, now = story.phase, story.now
        if phase is None:
            continue
        if not now.least_told and story.most_ms(at_ms) >= phase.min_ms:
            now.least_told = up = True
        if not now.most_told and story.run_ms(at_ms) >= phase.max_ms:
            now.most_told = up = True
    return up


def next_time_up_ms(stories: Iterable[Story], at_ms: int) -> int:
    """The next instant at which a phase's least or most time is reached."""
    due = 1 << 62
    for story in stories:
        phase, now = story.phase, story.now
        if phase is None:
            continue
        least_ms = now.early_ms + now.paused_ms + phase.min_ms
        if at_ms < least_ms < due:
            due = least_ms
        most_ms = now.late_ms + now.paused_ms + phase.max_ms
        if at_ms < most_ms:
            due = min(due, most_ms)
            continue
        for when in (most_ms + GRACE_MS + 1, most_ms + OVERRUN_RAMP_MS + 2_000):
            if at_ms < when < due:
                due = when
    return due
