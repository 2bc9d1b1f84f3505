"""The tracker that goes by programme charts: keeps the stories, tells the best one, opens and closes cycles.

Pure. What the stories are is in ``hypothesis`` and ``beam``; what is wrong with them in ``judge.verdicts`` and
``judge.parts``; this file has the cycle's life and what is said of it, event by event.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from loadbook.events import CycleChanged, Event, Outcome, StateChanged
from loadbook.judge.cycle_alerts import CycleAlerts
from loadbook.judge.findings import Findings
from loadbook.judge.limits import Limits
from loadbook.judge.parts import PartsWatch
from loadbook.judge.verdicts import Verdicts
from loadbook.machine import Machine
from loadbook.recognise import prices
from loadbook.recognise.beam import Beam, Stretch
from loadbook.recognise.chart_model import chart_model
from loadbook.recognise.cycles import build_cycle
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.levels import Levels, Option
from loadbook.recognise.track import NEVER_MS, Moment

AGES_MS = tuple(
    s * 1000 for s in (3, 6, 8, 11, 13, 15, 18, 20, 21, 23, 26, 30, 35, 45, 60, 90, 120, 180, 240, 300, 480, 900, 1800)
)
"""A level that stands still is looked at when it is this old."""
CALM_AGES_MS = tuple(s * 1000 for s in (5, 13, 23, 30, 60, 120, 300, 900, 1800))
"""The same where nothing is in doubt."""
ANNOUNCE_MS = 8_000
ANNOUNCE_ANYHOW_MS, ANNOUNCE_W = 40_000, 40.0
"""A display or a lamp may draw for a while without a cycle; a motor or a heater does not."""
FALSE_START_MS = 120_000
NEW_AFTER_STANDBY_MS = 15_000
NEW_DREW_MS = 45_000
"""A cycle after another has drawn for so long before it is believed: one stroke of an anti-crease tumble is none."""
DONE_AFTER_MS = 60_000
SWITCH_MARGIN = 1.0
LEARN_MS = 4_000


class Charted:
    """One machine with at least one programme."""

    def __init__(self, machine: Machine, limits: Limits, findings: Findings) -> None:
        self.machine, self.limits = machine, limits
        self.chart = chart_model(machine, limits)
        self.beam = Beam(self.chart, limits, Levels.of(self.chart))
        self.parts = PartsWatch(self.chart.parts, limits, self.beam.levels)
        self.alerts = CycleAlerts(machine, limits, self.beam, self.parts, Verdicts(self.beam, limits), findings)
        self.next_check_ms = NEVER_MS
        self.stretch: Stretch | None = None
        self.key_ms: int | None = None
        """The announced cycle's key."""
        self.told: tuple[int, int, int] | None = None
        """(cycle's start, programme, place) last said."""
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

    # ------------------------------------------------------------------ what is heard

    def level(self, now: Moment) -> list[Event]:
        beam, before = self.beam, self.stretch
        beam.levels.learn_resolution(now.resolution_w)
        if before is not None:
            before.level_w, before.volts, before.n = now.from_w, now.from_volts, now.from_n
            self._close(before, now.start_ms, now.start_energy_mwms)
        void = self.lost_ms is not None and beam.levels.at_standby(now.level_w)
        if self.lost_ms is not None and not void:
            self._resume(now.start_ms)
        self.stretch = stretch = Stretch(
            now.start_ms, now.start_energy_mwms, now.level_w, now.volts, now.from_w, now.n, now.start_ms, void
        )
        standby = beam.levels.at_standby(now.level_w)
        if not beam.stories:
            self.peak_w = 0.0
        gap_ms = 0
        if self.silence is not None:
            gap_ms = self.silence[1] - self.silence[0]
            self.silence = None
        events: list[Event] = []
        if beam.stories:
            if gap_ms > self.limits.resume_s * 1000:
                events += self._end(now, now.start_ms - gap_ms)
                self.fresh = True
            else:
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
            phase = self.beam.phase(story)
            if phase is None or not phase.pulsing:
                continue
            options = self.beam.levels.explain(phase, power_w, now.volts)
            if any(o.mask & ~phase.on_mask and not o.faults for o in options):
                story.blip(phase, now.at_ms)
        return []

    def check(self, now: Moment) -> list[Event]:
        stretch = self.stretch
        if stretch is None:
            self.next_check_ms = NEVER_MS
            return []
        stretch.level_w, stretch.volts, stretch.n = now.level_w, now.volts, now.n
        if self.beam.due(now.at_ms):
            self._close(stretch, now.at_ms, now.energy_mwms)
            self.stretch = Stretch(
                now.at_ms, now.energy_mwms, now.level_w, now.volts, stretch.from_w, now.n, stretch.void
            )
            self.beam.branch(self.stretch, now.at_ms, now.at_ms)
        else:
            self.beam.branch(stretch, stretch.start_ms, now.at_ms, again=True)
        return self._judge(now)

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
        return []

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
        events = self._judge(now)
        if self.key_ms is not None and not self.over and self.beam.stories:
            events += self._tell(now, final=True)
        return events

    # ------------------------------------------------------------------ levels

    def _close(self, stretch: Stretch, end_ms: int, end_mwms: int) -> None:
        beam = self.beam
        if not beam.stories:
            return
        self._learn(stretch, end_ms)
        beam.take(stretch, end_ms, end_mwms)

    def _learn(self, stretch: Stretch, end_ms: int) -> None:
        """From the told story: the machine's own draw, and what motors draw alone."""
        ms = end_ms - stretch.start_ms
        steady = ms >= LEARN_MS and stretch.n > 2 and not stretch.void
        within = self.key_ms is not None and self.beam.phase(self.beam.stories[0]) is not None
        if steady and within and self.beam.levels.at_standby(stretch.level_w):
            self.beam.levels.learn_base(stretch.level_w)
        option = self._watch(stretch, end_ms)
        story, phase = self.beam.stories[0], self.beam.phase(self.beam.stories[0])
        if option is None or option.faults or phase is None or phase.band_w is not None:
            return
        alone = option.mask and option.mask & (option.mask - 1) == 0
        if alone and end_ms - max(stretch.start_ms, story.now.early_ms) >= LEARN_MS:
            self.beam.levels.learn_usual(option.mask.bit_length() - 1, stretch.level_w)

    def _watch(self, stretch: Stretch, at_ms: int) -> Option | None:
        """Judges each part's watts in the told story up to now. None where the level tells nothing."""
        story = self.beam.stories[0]
        phase = self.beam.phase(story)
        ms = at_ms - max(stretch.start_ms, story.now.early_ms)
        if stretch.void or phase is None or ms < 2_500 or self.beam.totals[0] - story.score > 7.0:
            return None
        option = self.beam.option(story, stretch, at_ms)[0]
        if option is None or any(f[0] in ("excess", "idle", "phase_low", "phase_high") for f in option.faults):
            return None
        start_ms = max(stretch.start_ms, story.now.early_ms, self.watched_ms)
        if at_ms > start_ms:
            self.watched_ms = at_ms
            self.parts.see(story.now.place, phase, option.mask, start_ms, at_ms, stretch)
        return option

    def _resume(self, at_ms: int) -> None:
        """The supply is back: the time without it does not count against any phase."""
        if self.lost_ms is None:
            return
        for story in self.beam.stories:
            story.now.paused_ms += max(0, at_ms - max(self.lost_ms, story.now.early_ms))
            for pulses in story.now.pulses.values():
                pulses.rest_since_ms = None
        self.lost_ms = None

    def _begin_again(self, stretch: Stretch) -> None:
        """After the end, a stop or a false start, this level may begin a new cycle."""
        beam = self.beam
        best = beam.stories[0]
        if best.start_ms == stretch.start_ms:
            return
        still_ms = stretch.start_ms - best.standby_ms if best.standby_ms is not None else 0
        ended = beam.phase(best) is None
        if not ended and still_ms < NEW_AFTER_STANDBY_MS:
            return
        if self._complete(best):
            price = prices.NEW_CYCLE if ended else prices.NEW_CYCLE_EARLY
            phase = beam.phase(best)
            if phase is not None and any(
                not o.faults for o in beam.levels.explain(phase, stretch.level_w, stretch.volts)
            ):
                price = prices.NEW_CYCLE_UNASKED
        elif self.key_ms is None or (not best.past and best.drew_ms < 60_000):
            price = prices.DROPPED
        else:
            price = prices.STOPPED
        before = best if self.key_ms == best.start_ms or best.before is None else best.before
        beam.begin(stretch, best.score + price, False, before)

    # ------------------------------------------------------------------ the cycle's life

    def _complete(self, story: Story) -> bool:
        """Nothing needed is left to come after what has run."""
        phases = self.chart.programmes[story.programme].phases
        place = story.now.place
        if place >= len(phases):
            return True
        if any(not p.optional for p in phases[place + 1 :]):
            return False
        ran_ms = max(story.action_ms, story.now.early_ms) - story.now.early_ms
        return phases[place].optional or ran_ms >= 0.5 * phases[place].min_ms

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
        if self.key_ms is None:
            drew_ms = self._drew_ms(best, stretch, now)
            strong = stretch.level_w > ANNOUNCE_W or bool(best.past)
            sound = strong and drew_ms >= ANNOUNCE_MS
            if sound or drew_ms >= ANNOUNCE_ANYHOW_MS:
                events += self._announce(now, best)
        elif best.start_ms != self.key_ms and self._drew_ms(best, stretch, now) >= NEW_DREW_MS and all(
            s.start_ms != self.key_ms for s, t in zip(beam.stories, beam.totals, strict=True)
            if t < beam.totals[0] + prices.MARGIN
        ):  # fmt: skip
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
        """A new cycle has begun for certain: the one before is closed as its last story had it."""
        events: list[Event] = []
        before = best.before
        if before is not None and before.start_ms == self.key_ms and not self.over:
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
        done = self._complete(story)
        cycle = self._cycle(story, "completed" if done else "stopped_early", now)
        return [CycleChanged(now.at_ms, cycle, dropped)]

    def _end(self, now: Moment, last_ms: int) -> list[Event]:
        """The cycle is over for good: half an hour has passed, or as long a silence."""
        events: list[Event] = []
        if self.key_ms is not None and self.beam.stories:
            if not self.over:
                events += self._close_cycle(now, self.beam.stories[0], False)
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
        phase = self.beam.phase(best)
        self.known = self._programme_known()
        done = self._complete(best) and (phase is None or still_ms > 0)
        stopped = False
        if (not done and not self.over) or self.alerts.stopped:
            events += self.alerts.stop(self.key_ms, best, stretch, now.at_ms, still_ms)
            stopped = self.alerts.stopped
        if not (done and self.over):
            events += self.alerts.update(self.key_ms, best, stretch, now, self.known)
        told = (best.start_ms, best.programme if self.known else -1, best.now.place)
        old = self.told
        rival = next(
            (t for s, t in zip(self.beam.stories, self.beam.totals, strict=True)
             if old and (s.start_ms, s.programme, s.now.place) == (old[0], best.programme, old[2])),
            None,
        )  # fmt: skip
        certain = rival is None or rival - self.beam.totals[0] >= SWITCH_MARGIN
        finished = done and still_ms >= DONE_AFTER_MS
        if finished or stopped:
            if not self.over:
                self.over = True
                if not stopped:
                    events += self.alerts.settle(self.key_ms, best.action_ms, now.at_ms)
                events += self._tell(now, final=True)
        elif self.over:
            if still_ms == 0 and phase is not None:
                self.over = False
                events += self._tell(now)
        elif events or (told != old and certain):
            self.told = told
            events += self._tell(now)
        resume_ms = int(self.limits.resume_s * 1000)
        late = not self.alerts.stopped or now.at_ms - self.alerts.stopped_ms >= resume_ms
        if still_ms >= resume_ms and self.over and late:
            events += self._end(now, now.at_ms)
        return list(events)

    def _programme_known(self) -> bool:
        best, totals = self.beam.stories[0], self.beam.totals
        return all(
            s.programme == best.programme or s.start_ms != best.start_ms or t >= totals[0] + prices.MARGIN
            for s, t in zip(self.beam.stories, totals, strict=True)
        )

    # ------------------------------------------------------------------ what is said

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
            if self._complete(best) and self.beam.levels.at_standby(stretch.level_w):
                outcome, self.idle_from_ms = "completed", best.action_ms
            elif self.alerts.stopped:
                outcome, self.idle_from_ms = "stopped_early", now.at_ms
        events: list[Event] = [CycleChanged(now.at_ms, self._cycle(best, outcome, now))]
        phase = self.beam.phase(best)
        if outcome == "running" and phase is not None:
            since_ms = max(best.now.late_ms, best.start_ms)
            until_ms = since_ms + best.now.paused_ms + phase.max_ms
            events.append(StateChanged(now.at_ms, "running", since_ms, phase.id, phase.stage, until_ms))
        elif outcome != "running":
            events.append(StateChanged(now.at_ms, "idle", best.action_ms))
        return events

    def _calm(self, stretch: Stretch, at_ms: int) -> bool:
        """Whether the told story explains the level without a fault and no other comes near it."""
        if self.key_ms is None or (len(self.beam.totals) > 1 and self.beam.totals[1] - self.beam.totals[0] < 2.0):
            return False
        option = self.beam.option(self.beam.stories[0], stretch, at_ms)[0]
        return option is not None and not option.faults and option.z < 0.5

    def _schedule(self, now: Moment) -> None:
        stretch = self.stretch
        if stretch is None or not self.beam.stories:
            self.next_check_ms = NEVER_MS
            return
        age_ms = now.at_ms - stretch.start_ms
        ages = CALM_AGES_MS if self._calm(stretch, now.at_ms) else AGES_MS
        due = next((stretch.start_ms + age for age in ages if age > age_ms), now.at_ms + 1_800_000)
        due = min(due, self.beam.next_ms(now.at_ms))
        best = self.beam.stories[0]
        if self.beam.levels.at_standby(stretch.level_w):
            since_ms = stretch.start_ms if best.standby_ms is None else best.standby_ms
            waits = [
                DONE_AFTER_MS,
                FALSE_START_MS,
                int(self.limits.resume_s * 1000),
                *self.alerts.waits_ms(best, stretch),
            ]
            due = min([due, *(since_ms + w for w in waits if since_ms + w > now.at_ms)])
        never_ms = self.alerts.never_ending_ms(best)
        if never_ms > now.at_ms:
            due = min(due, never_ms)
        self.next_check_ms = due

    # ------------------------------------------------------------------ state

    _PLAIN = (
        "next_check_ms", "key_ms", "told", "over", "known", "fresh", "peak_w", "silence", "lost_ms", "watched_ms",
        "idle_from_ms",
    )  # fmt: skip

    def save(self) -> dict[str, Any]:
        levels, stretch = self.beam.levels, self.stretch
        return {
            "plain": {name: getattr(self, name) for name in self._PLAIN},
            "stretch": None if stretch is None else asdict(stretch),
            "stories": [story.save() for story in self.beam.stories],
            "totals": list(self.beam.totals),
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
        self.beam.stories = [Story.restore(s) for s in state["stories"]]
        self.beam.totals = list(state["totals"])
        levels = self.beam.levels
        levels.base_w, levels.base_seen, levels.resolution_w, usual = state["base"]
        levels.usual_w = {i: w for i, w in usual}
        self.parts.load(state["parts"])
        self.alerts.load(state["alerts"])
        return self
