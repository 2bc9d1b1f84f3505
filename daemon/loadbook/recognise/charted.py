"""The tracker that goes by programme charts: hears levels, keeps the stories, and saves the state.

Pure. What the stories are is in ``hypothesis`` and ``beam``; what is wrong with them in ``judge.verdicts`` and
``judge.parts``; the cycle's life and what is said of it in ``cycle_life``.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

from loadbook.events import Event, StateChanged
from loadbook.judge.findings import Findings
from loadbook.judge.limits import Limits
from loadbook.machine import Machine
from loadbook.recognise import prices
from loadbook.recognise.cycle_life import NEW_AFTER_STANDBY_MS, CycleLife
from loadbook.recognise.familiar import doubtful
from loadbook.recognise.going_on import give_back
from loadbook.recognise.heater_seen import LEARN_MS
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.resistive import STEP_W
from loadbook.recognise.stretch import SETTLES_MS, Stretch
from loadbook.recognise.time_up import time_is_up
from loadbook.recognise.track import NEVER_MS, Moment

DRIFT_MS = 10_000
"""A level that has stood for so long may have drifted; before, it settles."""


class Charted(CycleLife):
    """One machine with at least one programme."""

    def level(self, now: Moment) -> list[Event]:
        beam, before = self.beam, self.stretch
        beam.levels.learn_resolution(now.resolution_w)
        if before is not None:
            before.level_w, before.volts, before.n = now.from_w, now.from_volts, now.from_n
            self._close(before, now.start_ms, now.start_energy_mwms)
        void = self.lost_ms is not None and beam.levels.at_standby(now.level_w)
        if self.lost_ms is not None and not void:
            self._resume(now.start_ms)
        settled_w = now.from_last_w
        if before is not None and not before.settled(now.start_ms, self.chart.cold_w):
            settled_w = before.settled_w
        self.stretch = stretch = Stretch(
            now.start_ms, now.start_energy_mwms, now.level_w, now.volts, now.from_w, now.n, now.start_ms, settled_w,
            now.level_w, void,
        )  # fmt: skip
        standby = beam.levels.at_standby(now.level_w)
        if not beam.stories:
            self.peak_w = 0.0
        gap_ms = 0
        if self.silence is not None:
            gap_ms = self.silence[1] - self.silence[0]
            self.silence = None
        events: list[Event] = []
        if beam.stories:
            give_back(beam.levels, beam.stories, stretch)
            beam.branch(stretch, now.start_ms, now.at_ms, gap_ms)
            if not standby:
                self._begin_again(stretch)
        if not beam.stories and not standby:
            self.parts.watches.clear()
            beam.begin(stretch, 0.0, self.fresh)
        if standby:
            self.fresh = False
        return events + self._judge(now)

    def blip(self, now: Moment, power_w: float) -> list[Event]:
        for story in self.beam.stories:
            phase = story.phase
            if phase is None:
                story.score += prices.BLIP_AFTER_END
                continue
            if not phase.pulsing:
                continue
            option = self.beam.levels.explain(phase, power_w, now.volts).healthy
            if option is not None and option.mask & ~phase.on_mask:
                story.blip(phase, now.at_ms, option.mask)
                if story.standby_ms is not None and now.at_ms > story.now.early_ms:
                    story.standby_ms = now.at_ms
                    story.action_ms = story.now.action_ms = now.at_ms
                    story.action_mwms = now.energy_mwms
        return self._judge(now) if self.beam.stories else []

    def check(self, now: Moment) -> list[Event]:
        stretch = self.stretch
        if stretch is None:
            self.next_check_ms = NEVER_MS
            return []
        time_up = time_is_up(self.beam.stories, now.at_ms)
        if not time_up and self._drifted(stretch, now):
            stretch = self._cut(stretch, now)
        stretch.level_w, stretch.volts, stretch.n = now.level_w, now.volts, now.n
        if now.at_ms - stretch.level_ms <= SETTLES_MS:
            stretch.first_w = now.level_w
        if time_up:
            self.beam.branch(self._cut(stretch, now), now.at_ms, now.at_ms)
        elif not self._calm(stretch, now.at_ms):
            self.beam.branch(stretch, stretch.start_ms, now.at_ms, again=True)
        return self._judge(now)

    def _drifted(self, stretch: Stretch, now: Moment) -> bool:
        """Whether the level has moved by so much that a known heater would be told for another: what it was taken for
        so far is not judged by what it has come to."""
        beside = self.beam.levels.resistive.beside(now.level_w, now.volts)
        stood = now.at_ms - stretch.start_ms >= DRIFT_MS
        return beside is not None and stood and abs(now.level_w - stretch.level_w) > STEP_W

    def _cut(self, stretch: Stretch, now: Moment) -> Stretch:
        """Closes the level as it was so far; it goes on as another stretch."""
        self._close(stretch, now.at_ms, now.energy_mwms, cut=True)
        self.stretch = Stretch(
            now.at_ms, now.energy_mwms, now.level_w, now.volts, stretch.from_w, now.n, stretch.level_ms,
            stretch.settled_w, stretch.first_w, stretch.void,
        )  # fmt: skip
        return self.stretch

    def gap(self, now: Moment, until_ms: int) -> list[Event]:
        stretch = self.stretch
        if stretch is None:
            return []
        stretch.level_w, stretch.volts, stretch.n = now.level_w, now.volts, now.n
        self._close(stretch, now.at_ms, now.energy_mwms)
        self.stretch = None
        self.silence = (now.at_ms, until_ms)
        for story in self.beam.stories:
            if story.standby_ms is not None:
                story.standby_ms += until_ms - now.at_ms
            for pulses in story.now.pulses.values():
                pulses.rest_since_ms, pulses.drawing = None, False
        self.next_check_ms = NEVER_MS
        if until_ms - now.at_ms <= self.limits.resume_s * 1000 or not self.beam.stories:
            return []
        self.silence, self.fresh = None, True
        return self._end(now, until_ms)

    def supply_lost(self, now: Moment, since_ms: int) -> list[Event]:
        if not self.in_cycle or self.key_ms is None:
            return []
        self.lost_ms = since_ms
        if self.stretch is not None:
            self.stretch.void = True
        return [
            *self.alerts.supply_lost(self.key_ms, since_ms, now.at_ms),
            StateChanged(now.at_ms, "no_power", since_ms),
        ]

    def finish(self, now: Moment) -> list[Event]:
        if self.stretch is None or not self.beam.stories:
            return []
        self.stretch.level_w, self.stretch.volts = now.level_w, now.volts
        self.alerts.gone.forgive()
        events = self._judge(now)
        best = self.beam.stories[0] if self.beam.stories else None
        if best is not None and self.key_ms is not None and best.start_ms != self.key_ms:
            events += self._replace(now, best)  # the log ends: the likelier story will do
        if self.key_ms is not None and not self.over and self.beam.stories:
            events += self._tell(now, final=True)
        return events

    def _close(self, stretch: Stretch, end_ms: int, end_mwms: int, cut: bool = False) -> None:
        beam = self.beam
        if not beam.stories:
            return
        self._learn(stretch, end_ms)
        beam.take(stretch, end_ms, end_mwms, cut)

    def _learn(self, stretch: Stretch, end_ms: int) -> None:
        """From the told story: the machine's own draw, and what motors draw alone."""
        ms = end_ms - stretch.start_ms
        steady = ms >= LEARN_MS and stretch.n > 2 and not stretch.void
        story, phase = self.beam.stories[0], self.beam.stories[0].phase
        within = self.key_ms is not None and phase is not None
        if steady and within and self.beam.levels.at_standby(stretch.level_w):
            self.beam.levels.learn_base(stretch.level_w)
        option = self._watch(stretch, end_ms)
        if option is None or option.faults or phase is None or phase.band_w is not None:
            return
        alone = option.mask and option.mask & (option.mask - 1) == 0
        if (
            alone
            and not doubtful(story.familiar, option, stretch.level_w)
            and end_ms - max(stretch.start_ms, story.now.early_ms) >= LEARN_MS
        ):
            self.beam.levels.learn_usual(option.mask.bit_length() - 1, stretch.level_w)

    def _resume(self, at_ms: int) -> None:
        """The supply is back: the time without it does not count against any phase."""
        if self.lost_ms is None:
            return
        for story in self.beam.stories:
            story.now.paused_ms += max(0, at_ms - max(self.lost_ms, story.now.early_ms))
            for pulses in story.now.pulses.values():
                pulses.rest_since_ms, pulses.drawing = None, False
        self.lost_ms = None

    def _begin_again(self, stretch: Stretch) -> None:
        """After the end, a stop or a false start, this level may begin a new cycle."""
        beam = self.beam
        best = beam.stories[0]
        if best.start_ms == stretch.start_ms:
            return
        still_ms = stretch.start_ms - best.standby_ms if best.standby_ms is not None else 0
        ended = best.phase is None
        if not ended and still_ms < NEW_AFTER_STANDBY_MS:
            return
        refund = 0.0
        if beam.complete(best):
            long_over = self.over and still_ms >= self.limits.stopped_s * 1000
            last = beam.last(best)
            for_good = long_over and last is not None and last.works
            stroke = ended and not for_good and beam.goes_on(best, stretch)
            after_end = prices.NEW_CYCLE_STROKE if stroke else prices.NEW_CYCLE
            price = after_end if ended or long_over else prices.NEW_CYCLE_EARLY
            phase = best.phase
            if (
                phase is not None
                and not for_good
                and beam.levels.explain(phase, stretch.level_w, stretch.volts).healthy is not None
            ):
                price, refund = prices.NEW_CYCLE_UNASKED, prices.NEW_CYCLE_UNASKED - prices.NEW_CYCLE_EARLY
        elif self.key_ms is None or (not best.past and best.drew_ms < 60_000):
            price = prices.DROPPED
        else:
            price = prices.STOPPED
        if stretch.from_w > prices.STRONG_W:
            price += prices.BEGAN_BEFORE
        before = best.before
        if self.key_ms == best.start_ms or before is None:
            before = replace(best, now=best.now.copy(), before=None)  # as it is now: the story itself may live on
        beam.begin(stretch, best.score + price, False, before, refund)

    _PLAIN = (
        "next_check_ms", "key_ms", "told", "over", "known", "fresh", "peak_w", "silence", "lost_ms", "watched_ms",
        "idle_from_ms", "told_end_ms",
    )  # fmt: skip

    def save(self) -> dict[str, Any]:
        levels, stretch = self.beam.levels, self.stretch
        return {
            "plain": {name: getattr(self, name) for name in self._PLAIN},
            "stretch": None if stretch is None else asdict(stretch),
            "stories": [story.save() for story in self.beam.stories],
            "totals": list(self.beam.totals),
            "resistive": levels.resistive.save(),
            "base": [levels.base_w, levels.base_seen, levels.resolution_w, [list(x) for x in levels.usual_w.items()]],
            "parts": self.parts.save(),
            "alerts": self.alerts.save(),
        }  # fmt: skip

    @classmethod
    def restore(cls, machine: Machine, limits: Limits, findings: Findings, state: dict[str, Any]) -> Charted:
        """A tracker as it was when its state was saved."""
        self = cls(machine, limits, findings)
        for name in self._PLAIN:
            value = state["plain"][name]
            setattr(self, name, tuple(value) if isinstance(value, list) else value)
        if state["stretch"] is not None:
            self.stretch = Stretch(**state["stretch"])
        self.beam.stories = [Story.restore(s, self.chart) for s in state["stories"]]
        self.beam.totals = list(state["totals"])
        levels = self.beam.levels
        levels.base_w, levels.base_seen, levels.resolution_w, usual = state["base"]
        levels.usual_w = {i: w for i, w in usual}
        if "resistive" in state:
            levels.resistive.load(state["resistive"])
        self.parts.load(state["parts"])
        self.alerts.load(state["alerts"])
        return self
