"""What every story costs as of now: its level, its clock, its motors; and which stories are given up.

Pure. How stories branch is in ``beam``, which builds on this.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import log2

from loadbook.judge.limits import Limits
from loadbook.recognise import beside, prices
from loadbook.recognise.chart_model import GRACE_MS, ChartModel, PhaseModel
from loadbook.recognise.familiar import steadiness
from loadbook.recognise.going_on import never_came
from loadbook.recognise.hypothesis import SHORT_MS, Story
from loadbook.recognise.levels import Levels
from loadbook.recognise.options import Option
from loadbook.recognise.stay import PATTERN_MS
from loadbook.recognise.stretch import Stretch
from loadbook.recognise.strokes import STROKE_STAGES, ended_stroke, has_spun, long_stroke
from loadbook.recognise.texture import SMALL_W
from loadbook.recognise.time_up import OVERRUN_RAMP_MS

AFTER_END_PRICE, AFTER_END_MS = 8.0, 60_000
BELIEVED = 3.0
FAULTY_ROOM = 7.5
"""After a real step, the next phase is thought of even where only a fault of this price would explain the level."""
ALIKE_Z, ALIKE_STROKES_Z = 0.25, 1.0
"""Phases look alike where a level is not this much more far-fetched in the one than in the other; a stroke's load
varies, and hides what small parts draw beside it."""
BLIND_MS = 75_000
"""A pulsing motor that has not turned at all since its phase began is missing after so long."""
STROKE_SHARE = 0.35
"""A drum's light strokes draw this share of its motor's plate."""
RESTS_KNOWN = 1.6
"""A motor may rest this much longer than it did in good cycles."""
STILL_MS, STILL_FULL_MS = 60_000, 180_000
"""So long may a machine stand still where no rest belongs, before the story costs more; and so much later all of it."""
MOTOR_STAGES = ("wash", "rinse", "heat")


@dataclass(slots=True)
class Weighing:
    """``stories`` sorted by ``totals``, the cheapest first, as of the last ``weigh``."""

    chart: ChartModel
    limits: Limits
    levels: Levels
    stories: list[Story] = field(default_factory=list)
    totals: list[float] = field(default_factory=list)
    _asked: tuple[Story, Stretch, int, float, float | None] | None = None
    _answer: tuple[Option | None, float, int] = (None, 0.0, 0)
    """What ``option_told`` was asked last, and what it said."""

    def phase(self, story: Story, place: int | None = None) -> PhaseModel | None:
        """The chart's phase of a story; None after the last one."""
        return story.phase if place is None else self.chart.programmes[story.programme].place(place)

    def _pattern_broken(self, story: Story, at_ms: int) -> bool:
        """A part that pulsed in the phase before has now been off for longer than it ever was: that phase is over."""
        if not story.past or story.past[-1].unseen:
            return False
        before, here = self.phase(story, story.past[-1].place), story.phase
        if before is None or here is None:
            return False
        return has_spun(before, story.now) or any(
            not (here.mask | self.chart.valves_mask) >> i & 1 and pulses.overdue_ms() < at_ms - pulses.rest_since_ms
            for i, pulses in story.past[-1].pulses.items()
            if pulses.rest_since_ms is not None and pulses.n
        )

    def _fits_before(self, story: Story, stretch: Stretch) -> bool:
        before = self.phase(story, story.past[-1].place) if story.past else None
        if before is None or story.past[-1].unseen:
            return False
        options, here = self.levels.explain(before, stretch.level_w, stretch.volts), story.phase
        behind = story.past[-1].suspects.items()
        faulty = {f for f, s in behind if s.over_ms is None and (s.paid > BELIEVED or f in story.known)}
        fits = [option.z for option in options if set(option.faults) <= faulty]
        if not fits or here is None:
            return bool(fits)
        own = self.levels.explain(here, stretch.level_w, stretch.volts).healthy
        if own is None:
            return True
        strokes = any(own.mask >> i & 1 for i in here.motors)
        return min(fits) <= own.z + (ALIKE_STROKES_Z if strokes else ALIKE_Z)

    def _never_heated(self, story: Story) -> bool:
        """Whether the phase before has had its most time and has never heated: it has rather not begun its work."""
        before = self.phase(story, story.past[-1].place)
        return before is not None and before.usual_ms is None and before.unheated(story.past[-1].seen_ms)

    def late_ms(self, story: Story, stretch: Stretch, at_ms: int) -> int:
        """The latest start of a story's phase, the open level counted."""
        now = story.now
        if now.alike and self._pattern_broken(story, at_ms):
            return now.early_ms
        if now.alike and at_ms - stretch.start_ms >= SHORT_MS and self._fits_before(story, stretch):
            return max(now.late_ms, min(at_ms, now.late_limit_ms))
        return now.late_ms

    @staticmethod
    def _overrun(story: Story, over_ms: int, phase: PhaseModel) -> float:
        """Grows fast for as long as a rival might come up, then with every doubling: no phase goes on for ever. Little
        where a fault of the phase already explains it."""
        more = prices.TOO_LONG_QUIET if phase.quiet else prices.TOO_LONG_MORE
        ramp = prices.TOO_LONG + more * min(1.0, over_ms / OVERRUN_RAMP_MS)
        cost = ramp + prices.TOO_LONG_DOUBLE * log2(1 + over_ms / (phase.max_ms + 30_000))
        return cost * story.excused()

    def time_cost(self, story: Story, late_ms: int, at_ms: int, mask: int = 0, since_ms: int = 0) -> float:
        """What the clock alone costs a story now: its phase overrun, its motor silent. ``mask``: what draws now, in a
        level that began at ``since_ms``."""
        phase = story.phase
        if phase is None:
            return 0.0
        run_ms = at_ms - late_ms - story.now.paused_ms
        cost = 0.0 if phase.usual_ms is None else phase.unusual(run_ms, 1 << 62)
        over_ms = run_ms - phase.max_ms
        if over_ms > GRACE_MS:
            cost += self._overrun(story, over_ms, phase)
        all_pulses = story.now.pulses
        last = story.now.place >= self.chart.programmes[story.programme].last_needed
        if last and not mask and never_came(story, phase, at_ms):
            return cost + prices.PATTERN
        if not all_pulses:
            return cost
        for i in phase.pulsing:
            pulses = all_pulses.get(i)
            if pulses is None or not pulses.n or pulses.rest_since_ms is None:
                continue
            if mask >> i & 1:
                if mask & phase.resistive_mask or phase.stage not in STROKE_STAGES:
                    continue  # beside a heater a stroke is not told apart well enough
                began_ms = pulses.on_since_ms if pulses.drawing else since_ms
                if long := long_stroke(self.chart, story, i, pulses, at_ms - began_ms):
                    cost += long
                    break
                continue
            if pulses.drawing and (long := ended_stroke(self.chart, story, phase, i)):
                cost += long
                break
            rest_ms = at_ms - pulses.rest_since_ms
            if rest_ms > PATTERN_MS and i in phase.telling and rest_ms > pulses.overdue_ms():
                cost += prices.PATTERN
                break
        silent = self.silent_motor(story, phase, at_ms, mask) if phase.stage in MOTOR_STAGES else None
        if silent is not None and story.now.pulses[silent[0]].silent_ms is None:
            cost += story.silent_price(silent[0], mask, silent[1] - late_ms - story.now.paused_ms)
        return cost

    @staticmethod
    def stood_ms(story: Story, stretch: Stretch) -> int:
        """How long the level had stood in the story's phase when the stretch began."""
        start_ms = max(stretch.start_ms, story.now.early_ms)
        return max(0, start_ms - max(stretch.level_ms, story.now.early_ms))

    def silent_motor(self, story: Story, phase: PhaseModel, at_ms: int, mask: int) -> tuple[int, int] | None:
        """(part, since) of a pulsing motor that has stayed off for three times its longest rest (contract), and for
        longer than good cycles would explain."""
        if not mask and phase.on:
            return None  # all stands still: that is one thing wrong, not two
        known_ms = RESTS_KNOWN * phase.rest_ms
        least_ms = min(BLIND_MS, self.limits.pulse_rest_s * 1000)
        for i in phase.motors:
            if phase.usual_ms is not None and self.chart.parts[i].rated_w <= SMALL_W:
                continue  # learned charts list a pump that was seen in the phase: it does not reverse
            pulses = story.now.pulses.get(i)
            if pulses is None:
                # no level has ended since the phase began: whatever it is taken for, nothing has stroked
                if self._shows(phase, i) and at_ms - story.now.late_ms >= max(known_ms, self._blind_ms(story, i)):
                    return i, story.now.late_ms
                continue
            if mask >> i & 1 or pulses.rest_since_ms is None or at_ms - pulses.rest_since_ms < least_ms:
                continue
            since_ms = max(pulses.rest_since_ms, self._others_ms(story, phase, i, mask, at_ms))
            if pulses.n == 0:
                heaters = mask & self.chart.resistive_mask
                if (
                    heaters & phase.pulsing_mask
                    and not self._shows(phase, i)
                    and not self.levels.resistive.all_known(heaters)
                ):
                    continue  # beside them it would not be seen
                since_ms = max(since_ms, story.now.late_ms)
                if at_ms - since_ms >= max(known_ms, self._blind_ms(story, i)):
                    return i, since_ms
                continue
            if pulses.n < self.limits.pulses_least:
                continue
            wait_ms = max(self.limits.pulse_rest_s * 1000, self.limits.pulse_rests * pulses.longest_rest_ms)
            if at_ms - since_ms >= max(wait_ms, known_ms):
                return i, since_ms
        return None

    def _blind_ms(self, story: Story, part: int) -> float:
        return max(BLIND_MS, self.limits.pulse_rests * story.longest_rest_ms(part))

    def _shows(self, phase: PhaseModel, part: int) -> bool:
        """Whether a motor's strokes would be seen beside the phase's heaters."""
        heaters_w = sum(p.rated_w for i, p in enumerate(self.chart.parts) if phase.resistive_mask >> i & 1)
        return STROKE_SHARE * self.chart.parts[part].rated_w > 3 + 0.04 * heaters_w

    def _others_ms(self, story: Story, phase: PhaseModel, part: int, mask: int, at_ms: int) -> int:
        """When another part that comes and goes in the phase drew last: while one works, a motor may well rest."""
        others = phase.pulsing_mask & ~phase.resistive_mask & ~(1 << part)
        if not others:
            return 0
        if others & mask:
            return at_ms
        return max((p.rest_since_ms or 0 for i, p in story.now.pulses.items() if others >> i & 1 and p.n), default=0)

    def _beside_heater(self, phase: PhaseModel, option: Option) -> int | None:
        """The one pulsing motor beside a heater that is on: too little beside the heater's tolerance to be told from
        the level alone."""
        if phase.lone_motor is None or not option.mask & phase.heater_mask:
            return None
        return phase.lone_motor if all(kind in ("low", "high") for kind, _ in option.faults) else None

    def _told_apart(self, story: Story, phase: PhaseModel, option: Option, level_w: float) -> Option:
        """The explanation, its motor on or off as the level stands above the phase's floor or on it."""
        floor_w = story.now.floor_w
        motor = self._beside_heater(phase, option) if floor_w else None
        known = not option.faults and self.levels.resistive.all_known(option.mask & self.chart.resistive_mask)
        if motor is None or known:
            return option  # one that is known to be ill is not told from a stroke beside it either
        on = level_w - floor_w > 0.8 * self.chart.parts[motor].least_w
        mask = option.mask | 1 << motor if on else option.mask & ~(1 << motor)
        return option if mask == option.mask else Option(option.faults, mask, option.z)

    def last(self, story: Story) -> PhaseModel | None:
        """The phase it is in, or was in before its end."""
        ended = story.phase is None and story.past
        return self.phase(story, story.past[-1].place) if ended else story.phase

    def goes_on(self, story: Story, stretch: Stretch) -> bool:
        """Whether the last phase, had it not ended, would explain the level by what pulses in it."""
        last = self.phase(story, story.past[-1].place) if story.past else None
        return last is not None and any(
            not o.faults and o.mask & last.pulsing_mask
            for o in self.levels.explain(last, stretch.level_w, stretch.volts).likely
        )

    def after_end(self, story: Story, stretch: Stretch, ms: int) -> float:
        """What it costs that the machine draws for ``ms`` though its programme is through."""
        heats = stretch.level_w > self.chart.cold_w
        cost = (prices.AFTER_END_HEATS if heats else AFTER_END_PRICE) * prices.due("unexpected", ms / 1000)
        if stretch.level_w > prices.STRONG_W:
            cost += prices.AFTER_END_DOUBLE * log2(1 + ms / AFTER_END_MS)
        if cost < prices.STROKE_AFTER_END and ms >= SHORT_MS and self.goes_on(story, stretch):
            return prices.STROKE_AFTER_END
        return cost

    def step_odds(self, story: Story, phase: PhaseModel, stretch: Stretch) -> Callable[[int], float] | None:
        """What it costs in full that the step made just the parts of a mask draw beside a heater that stays on: the
        more, the longer all stood as it was. None where no heater was on, or the phase began later."""
        before, since_ms = story.drew.until(stretch.level_ms)
        if not before & self.chart.resistive_mask or phase.motors or story.now.early_ms > stretch.level_ms:
            return None
        seen_ms = story.familiar[before][2] if before in story.familiar else 0
        full = steadiness(max(seen_ms, stretch.level_ms - since_ms))
        return lambda mask: full * beside.odd(self.levels, phase, before, mask, stretch)

    def option(self, story: Story, stretch: Stretch, at_ms: int) -> tuple[Option | None, float, int]:
        """How a story explains the open level, what that costs, and for how long it has stood, ms."""
        ms = max(0, at_ms - max(stretch.start_ms, story.now.early_ms))
        phase = story.phase
        if stretch.void:
            return None, 0.0, ms
        if phase is None:
            busy = not self.levels.at_standby(stretch.level_w)
            return None, self.after_end(story, stretch, ms) if busy else 0.0, ms
        odds = self.step_odds(story, phase, stretch)
        option, cost = story.choose(
            self.levels.explain(phase, stretch.level_w, stretch.volts),
            ms,
            stretch.level_w,
            phase.pulsing_mask,
            self.stood_ms(story, stretch) if stretch.start_ms > stretch.level_ms else 0,
            stretch.step_w,
            odds,
        )
        if story.now.floor_w and odds is None:
            option = self._told_apart(story, phase, option, stretch.level_w)
        return option, cost, ms

    def option_told(self, stretch: Stretch, at_ms: int) -> tuple[Option | None, float, int]:
        """The same of the told story, as of the last ``weigh``; it is asked for time and again."""
        story, asked = self.stories[0], self._asked
        if (
            asked is None
            or asked[2] != at_ms
            or asked[0] is not story
            or asked[1] is not stretch
            or asked[3] != stretch.level_w
            or asked[4] != stretch.volts
        ):
            self._asked = (story, stretch, at_ms, stretch.level_w, stretch.volts)
            self._answer = self.option(story, stretch, at_ms)
        return self._answer

    def complete(self, story: Story) -> bool:
        """Nothing needed is left to come after what has run."""
        phase, programme = story.phase, self.chart.programmes[story.programme]
        if phase is None:
            last = next((s for s in reversed(story.past) if not programme.phases[s.place].optional), None)
            return last is None or last.unseen or bool(last.seen_ms) or not programme.phases[last.place].on
        if story.now.place < programme.last_needed:
            return False
        ran_ms = max(story.action_ms, story.now.early_ms) - story.now.early_ms
        return phase.optional or ran_ms >= 0.5 * phase.min_ms

    def _standing(self, story: Story, stretch: Stretch, at_ms: int) -> float:
        """What it costs a story, with a learned chart, that the machine stands still where it has more to do and no
        rest belongs, while in another story it is through: that is the likelier."""
        phase = story.phase
        if phase is None or phase.usual_ms is None or all(s.phase is not None for s in self.stories):
            return 0.0
        still_ms = at_ms - (stretch.start_ms if story.standby_ms is None else story.standby_ms) - STILL_MS
        if still_ms <= 0 or phase.quiet or self.complete(story):
            return 0.0
        after = self.chart.programmes[story.programme].place(story.now.place + 1)
        if after is not None and after.quiet:
            return 0.0
        return prices.STANDING * min(1.0, still_ms / STILL_FULL_MS)

    def _weigh_one(self, story: Story, stretch: Stretch, at_ms: int) -> float:
        option, cost, _ = self.option(story, stretch, at_ms)
        late_ms = self.late_ms(story, stretch, at_ms) if story.now.alike else story.now.late_ms
        mask = option.mask if option else 0
        clock = self.time_cost(story, late_ms, at_ms, mask, stretch.start_ms)
        story.clock, cost = (late_ms, mask, clock), cost + clock
        if self.chart.learned and not stretch.void and self.levels.at_standby(stretch.level_w):
            cost += self._standing(story, stretch, at_ms)
        story.total, story.total_ms = story.score + cost, at_ms
        return story.total

    def weigh(self, stretch: Stretch, at_ms: int) -> None:
        """Sorts the stories by what they cost now and gives up the hopeless ones."""
        weighed = []
        self._asked = None
        for k, story in enumerate(self.stories):
            if story.total_ms != at_ms:
                self._weigh_one(story, stretch, at_ms)
            story.total_ms = -1
            weighed.append((story.total, k, story))
        weighed.sort(key=lambda w: (round(w[0], 6), w[2].now.place, w[1]))
        if weighed:
            limit = weighed[0][0] + prices.HOPELESS
            weighed = [w for w in weighed if w[0] <= limit][: prices.BEAM]
        self.stories = [w[2] for w in weighed]
        self.totals = [w[0] for w in weighed]
