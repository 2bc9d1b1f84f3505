"""The life of a charted cycle: suspected, announced, told phase by phase, over, forgotten; and when to look again.

Pure. ``charted`` hears the levels and builds on this.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import replace
from typing import Any

from loadbook.events import CycleChanged, Event, Outcome, StateChanged
from loadbook.judge.cycle_alerts import CycleAlerts
from loadbook.judge.findings import Findings
from loadbook.judge.limits import Limits
from loadbook.judge.parts import PartsWatch
from loadbook.judge.verdicts import Verdicts
from loadbook.machine import Machine
from loadbook.recognise import prices
from loadbook.recognise.beam import Beam
from loadbook.recognise.chart_model import chart_model
from loadbook.recognise.cycles import build_cycle
from loadbook.recognise.heater_seen import FAR_BEHIND, HeaterSeen
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.levels import Levels
from loadbook.recognise.options import Option
from loadbook.recognise.stretch import Stretch
from loadbook.recognise.time_up import next_time_up_ms
from loadbook.recognise.track import NEVER_MS, Moment

AGES_MS = tuple(s * 1000 for s in (3, 5, 8, 11, 14, 18, 20, 23, 26, 30, 45, 62, 78, 90, 120, 300, 900, 1800))
"""A level that stands still is looked at when it is this old."""
CALM_AGES_MS = tuple(s * 1000 for s in (5, 13, 23, 30, 62, 78, 120, 300, 900, 1800))
"""The same where nothing is in doubt."""
TOLD_AGES_MS = CALM_AGES_MS[1:]
"""The same where the phase has been told as well, and every rival is far behind."""
ANNOUNCE_MS = 8_000
ANNOUNCE_ANYHOW_MS = 40_000
"""A display or a lamp may draw for a while without a cycle; a motor or a heater does not."""
FALSE_START_MS = 120_000
NEW_AFTER_STANDBY_MS = 15_000
NEW_DREW_MS = 45_000
"""A cycle after another has drawn for so long before it is believed: one stroke of an anti-crease tumble is none."""
NEW_HEATS_MS = 15_000
"""The same where it heats: what is through does not."""
NEW_WEAK_MS = 240_000
"""The same where it has drawn no more than a pump or a valve does, and has shown one phase only: a last drain that
comes late, or once more, is none."""
NEW_FOR_LONG_MS = 600_000
"""After so long of it, half the margin will do."""
DONE_AFTER_MS = 60_000
RESTS_LONG_MS = 20_000
"""A part whose rests are shorter is one that reverses: it is over when they are."""
SWITCH_MARGIN = 1.0


class CycleLife:
    """The told cycle of one machine, and the stories behind it."""

    def __init__(self, machine: Machine, limits: Limits, findings: Findings) -> None:
        self.machine, self.limits = machine, limits
        self.chart = chart_model(machine, limits)
        self.beam = Beam(self.chart, limits, Levels.of(self.chart))
        self.parts = PartsWatch(self.chart.parts, limits, self.beam.levels)
        self.heater_seen = HeaterSeen(self.beam, self.parts)
        self.alerts = CycleAlerts(machine, limits, self.beam, self.parts, Verdicts(self.beam, limits), findings)
        self.next_check_ms = NEVER_MS
        self.stretch: Stretch | None = None
        self.key_ms: int | None = None
        """The announced cycle's key."""
        self.told: tuple[int, int, str | None] | None = None
        """(cycle's start, programme or -1, phase's id) last said."""
        self.told_end_ms = 0
        self.over = False
        """The announced cycle has been said to be over; it may still go on."""
        self.known = False
        self.fresh = True
        self.peak_w = 0.0
        self.silence: tuple[int, int] | None = None
        self.lost_ms: int | None = None
        self.watched_ms = 0
        self.idle_from_ms = 0
        """Idling is judged from here: the cycle's last action, or when it was found to have stopped."""

    @property
    def in_cycle(self) -> bool:
        return self.key_ms is not None and not self.over

    @property
    def cycle_key_ms(self) -> int | None:
        return self.key_ms if self.in_cycle else None

    def _judge(self, now: Moment) -> list[Event]:
        """Weighs the stories as of now and says what has changed."""
        events: list[Event] = []
        stretch = self.stretch
        self.peak_w = max(self.peak_w, now.peak_w)
        if stretch is None or not self.beam.stories:
            self.next_check_ms = NEVER_MS
            return events
        beam = self.beam
        beam.weigh(stretch, now.at_ms)
        self._watch(stretch, now.at_ms)
        best = beam.stories[0]
        still_ms = self._still_ms(best, stretch, now.at_ms)
        if still_ms >= FALSE_START_MS and best.start_ms != self.key_ms and self._weak(best, stretch):
            old = [s for s in beam.stories if s.start_ms == self.key_ms]
            if old:  # it was no new cycle
                beam.stories = old
                beam.weigh(stretch, now.at_ms)
                best = beam.stories[0]
                still_ms = self._still_ms(best, stretch, now.at_ms)
        if self.key_ms is None:
            drew_ms = self._drew_ms(best, stretch, now)
            strong = stretch.level_w > prices.STRONG_W or bool(best.past)
            sound = strong and drew_ms >= ANNOUNCE_MS
            if sound or drew_ms >= ANNOUNCE_ANYHOW_MS:
                events += self._announce(now, best)
        elif best.start_ms != self.key_ms and self._is_new(best, stretch, self._drew_ms(best, stretch, now)):
            events += self._replace(now, best)
        if self.key_ms is None:
            unborn = not best.past and still_ms >= FALSE_START_MS
            if unborn or still_ms >= self.limits.resume_s * 1000:
                self._forget()
        elif best.start_ms == self.key_ms or not self.over or still_ms >= self.limits.resume_s * 1000:
            # a cycle that is over is settled: what may be a new one, not yet announced, says nothing about it
            events += self._go_on(now, best, still_ms)
        self._schedule(now)
        return events

    def _is_new(self, best: Story, stretch: Stretch, drew_ms: int) -> bool:
        """Whether the best story's cycle has begun for certain: no story of the told one is near it any more."""
        heats = stretch.level_w > self.chart.cold_w
        if drew_ms < (NEW_HEATS_MS if heats else NEW_WEAK_MS if self._weak(best, stretch) else NEW_DREW_MS):
            return False
        margin = prices.MARGIN if drew_ms < NEW_FOR_LONG_MS else prices.MARGIN / 2
        limit = self.beam.totals[0] + margin
        pairs = zip(self.beam.stories, self.beam.totals, strict=True)
        return all(story.start_ms != self.key_ms for story, total in pairs if total < limit)

    @staticmethod
    def _weak(story: Story, stretch: Stretch) -> bool:
        """Whether its cycle has shown one phase only and drawn no more than a small part does."""
        mean_w = (story.action_mwms - story.start_mwms) / max(story.drew_ms, 1) / 1000
        return not story.past and max(mean_w, stretch.level_w) <= prices.STRONG_W and story.drew_ms < NEW_WEAK_MS

    def _drew_ms(self, story: Story, stretch: Stretch, now: Moment) -> int:
        if self.beam.levels.at_standby(stretch.level_w):
            return story.drew_ms
        return story.drew_ms + now.at_ms - max(stretch.start_ms, story.now.early_ms)

    def _still_ms(self, story: Story, stretch: Stretch, at_ms: int) -> int:
        if not self.beam.levels.at_standby(stretch.level_w):
            return 0
        since_ms = stretch.start_ms if story.standby_ms is None else story.standby_ms
        return at_ms - since_ms

    def _announce(self, now: Moment, best: Story) -> list[Event]:
        self.key_ms, self.over = best.start_ms, False
        self.told = None
        self.beam.levels.new_cycle()
        self.alerts.start(best.start_ms)
        for story in self.beam.stories:
            story.before = None
        return []

    def _replace(self, now: Moment, best: Story) -> list[Event]:
        """A new cycle has begun for certain: the one before is closed as its last story had it, though it was said to
        have gone on for longer; what was said to be wrong with it since then was not."""
        events = self.alerts.take_back(best.start_ms, now.at_ms)
        before = best.before
        ran_on = not self.over or self.told_end_ms > best.start_ms
        if before is not None and before.start_ms == self.key_ms and ran_on:
            dropped = not before.past and before.drew_ms < 60_000
            events += self._close_cycle(now, before, dropped)
        if self.key_ms is not None:
            self.alerts.end(self.key_ms)
        self.beam.stories = [s for s in self.beam.stories if s.start_ms == best.start_ms]
        self.beam.totals = self.beam.totals[: len(self.beam.stories)]
        self.beam.weigh(self.stretch or Stretch(now.at_ms, 0, 0.0, None), now.at_ms)
        self.parts.watches.clear()
        return events + self._announce(now, best)

    def _close_cycle(self, now: Moment, story: Story, dropped: bool) -> list[Event]:
        done = self.beam.complete(story)
        cycle = self._cycle(story, "completed" if done else "stopped_early", now)
        return [CycleChanged(now.at_ms, cycle, dropped)]

    def _end(self, now: Moment, at_ms: int) -> list[Event]:
        """The cycle is over for good, said at ``at_ms``: half an hour has passed, or as long a silence."""
        events: list[Event] = []
        if self.key_ms is not None and self.beam.stories:
            if not self.over:
                events += self._close_cycle(replace(now, at_ms=at_ms), self.beam.stories[0], False)
            self.alerts.end(self.key_ms)
        self._forget()
        return events

    def _forget(self) -> None:
        self.beam.stories, self.beam.totals = [], []
        self.key_ms, self.told, self.over, self.lost_ms = None, None, False, None
        self.peak_w = 0.0

    def _go_on(self, now: Moment, best: Story, still_ms: int) -> list[Event]:
        stretch, events = self.stretch, []
        if stretch is None or self.key_ms is None:
            return []
        if best.start_ms != self.key_ms:
            return []  # a new cycle is the likelier story, but not yet certain: nothing more is said of the old one
        phase = best.phase
        self.known = self._programme_known()
        done = self.beam.complete(best) and (phase is None or still_ms > 0)
        stopped = False
        if (not done and not self.over) or self.alerts.stopped:
            events += self.alerts.stop(self.key_ms, best, stretch, now.at_ms, still_ms)
            stopped = self.alerts.stopped
        if not (done and self.over) and not stopped:  # a machine that stands still shows nothing new
            events += self.alerts.update(self.key_ms, best, stretch, now)
        told = (best.start_ms, best.programme if self.known else -1, None if phase is None else phase.id)
        finished = done and still_ms >= self._done_after_ms(best)
        if finished or stopped:
            if not self.over or best.action_ms != self.told_end_ms:
                if not self.over and not stopped:
                    events += self.alerts.settle(self.key_ms, best.action_ms, now.at_ms)
                self.over, self.told_end_ms = True, best.action_ms
                events += self._tell(now, final=True)
        elif self.over:
            if still_ms == 0 and phase is not None:
                self.over = False
                events += self._tell(now)
        elif events or (told != self.told and self._certain(told)):
            self.told = told
            events += self._tell(now)
        resume_ms = int(self.limits.resume_s * 1000)
        late = not self.alerts.stopped or now.at_ms - self.alerts.stopped_ms >= resume_ms
        if still_ms >= resume_ms and self.over and late:
            events += self._end(now, now.at_ms)
        return list(events)

    @staticmethod
    def _done_after_ms(story: Story) -> int:
        """How long all must have stood still for a cycle that may be over to be over: an anti-crease tumble may rest
        for longer than a minute, and goes on."""
        rests = [p for p in story.now.pulses.values() if p.n] if story.phase is not None else []
        return max([DONE_AFTER_MS, *(int(p.overdue_ms()) for p in rests if p.longest_rest_ms >= RESTS_LONG_MS)])

    def _certain(self, told: tuple[int, int, str | None]) -> bool:
        """Whether no story that tells the phase said last, of whatever programme, is near the best one any more."""
        old, beam = self.told, self.beam
        if old is None or old[2] == told[2]:
            return True  # the same phase: only which programme it belongs to has become known, or open again
        limit = beam.totals[0] + SWITCH_MARGIN - 1e-3
        return all(
            s.start_ms != old[0] or t >= limit or (None if s.phase is None else s.phase.id) != old[2]
            for s, t in zip(beam.stories, beam.totals, strict=True)
        )

    def _programme_known(self) -> bool:
        if len(self.beam.stories) == 1 or len(self.chart.programmes) == 1:
            return True
        best, totals = self.beam.stories[0], self.beam.totals
        return all(
            s.programme == best.programme or s.start_ms != best.start_ms or t >= totals[0] + prices.MARGIN
            for s, t in zip(self.beam.stories, totals, strict=True)
        )

    def _cycle(self, story: Story, outcome: Outcome, now: Moment) -> Any:
        stretch = self.stretch
        running = outcome == "running"
        at_standby = stretch is not None and self.beam.levels.at_standby(stretch.level_w)
        live = running and not (at_standby and story.standby_ms is not None)
        drawing = outcome == "completed" and stretch is not None and not at_standby and story is self.beam.stories[0]
        end_ms, end_mwms = story.action_ms, story.action_mwms
        if live or running or drawing:
            end_ms, end_mwms = now.at_ms, now.energy_mwms
        late_ms = self.beam.late_ms(story, stretch, now.at_ms) if stretch is not None else story.now.late_ms
        return build_cycle(
            self.chart,
            story,
            key_ms=story.start_ms,
            outcome=outcome,
            end_ms=end_ms,
            end_mwms=end_mwms,
            late_ms=late_ms,
            peak_w=self.peak_w,
            standby_w=self.beam.levels.base_w,
            programme_known=self.known or not running,
            kinds=self.alerts.kinds_by_phase(),
            parts=self.parts.measured(self.chart.programmes[story.programme].phases),
        )

    def _tell(self, now: Moment, final: bool = False) -> list[Event]:
        best, stretch = self.beam.stories[0], self.stretch
        outcome: Outcome = "running"
        if stretch is not None and final:
            if self.beam.complete(best) and self.beam.levels.at_standby(stretch.level_w):
                outcome, self.idle_from_ms = "completed", best.action_ms
            elif self.alerts.stopped:
                outcome, self.idle_from_ms = "stopped_early", now.at_ms
        events: list[Event] = [CycleChanged(now.at_ms, self._cycle(best, outcome, now))]
        if outcome != "running":
            events.append(StateChanged(now.at_ms, "idle", best.action_ms))
        elif (state := self.state(now)) is not None:
            events.append(state)
        return events

    def state(self, now: Moment) -> StateChanged | None:
        """What the machine does, as the told story has it."""
        best = self.beam.stories[0] if self.beam.stories else None
        phase = None if best is None else best.phase
        if best is None or phase is None:
            return None
        since_ms = max(best.now.late_ms, best.start_ms)
        until_ms = since_ms + best.now.paused_ms + phase.max_ms
        return StateChanged(now.at_ms, "running", since_ms, phase.id, phase.stage, until_ms)

    def _calm(self, stretch: Stretch, at_ms: int) -> bool:
        """Whether the told story explains the level without a fault and no other comes near it."""
        if self.key_ms is None or (len(self.beam.totals) > 1 and self.beam.totals[1] - self.beam.totals[0] < 2.0):
            return False
        option = self.beam.option_told(stretch, at_ms)[0]
        if option is None or option.faults or option.z >= 0.5:
            return False
        return all(when > at_ms for when in self.beam.stories[0].overdue_ms(option.mask))

    def _schedule(self, now: Moment) -> None:
        stretch = self.stretch
        if stretch is None or not self.beam.stories:
            self.next_check_ms = NEVER_MS
            return
        age_ms = now.at_ms - stretch.start_ms
        ages = AGES_MS
        if self._calm(stretch, now.at_ms):
            best, told, totals = self.beam.stories[0], self.told, self.beam.totals
            phase_id = None if best.phase is None else best.phase.id
            said = told is not None and (told[0], told[2]) == (best.start_ms, phase_id)
            far = len(totals) == 1 or totals[1] - totals[0] >= FAR_BEHIND
            ages = TOLD_AGES_MS if said and far else CALM_AGES_MS
        older = bisect_right(ages, age_ms)
        due = stretch.start_ms + ages[older] if older < len(ages) else now.at_ms + 1_800_000
        best = self.beam.stories[0]
        due = min(due, next_time_up_ms(self.beam.stories, now.at_ms))
        for when in best.overdue_ms(0):
            if now.at_ms < when < due:
                due = when
        if self.beam.levels.at_standby(stretch.level_w):
            since_ms = stretch.start_ms if best.standby_ms is None else best.standby_ms
            waits = [
                self._done_after_ms(best),
                FALSE_START_MS,
                int(self.limits.resume_s * 1000),
                *self.alerts.waits_ms(best, stretch),
            ]
            due = min([due, *(since_ms + w for w in waits if since_ms + w > now.at_ms)])
        if self.parts.due_ms > now.at_ms:
            due = min(due, self.parts.due_ms)
        if (never_ms := self.alerts.never_ending_ms(best, due)) > now.at_ms:
            due = min(due, never_ms)
        self.next_check_ms = due

    def _watch(self, stretch: Stretch, at_ms: int) -> Option | None:
        """Judges each part's watts in the told story up to now. None where the level tells nothing."""
        story = self.beam.stories[0]
        phase = story.phase
        ms = at_ms - max(stretch.start_ms, story.now.early_ms)
        if stretch.void or phase is None or ms < 2_500 or self.beam.totals[0] - story.score > 7.0:
            return None
        option = self.beam.option_told(stretch, at_ms)[0]
        if option is None or any(f[0] in ("excess", "heats", "idle", "phase_low", "phase_high") for f in option.faults):
            return None
        start_ms = max(stretch.start_ms, story.now.early_ms, self.watched_ms)
        if at_ms > start_ms:
            self.watched_ms = at_ms
            self.parts.see(story.now.place, phase, option.mask, start_ms, at_ms, stretch)
        self.heater_seen.learn(story, phase, option, stretch, at_ms)
        return option
