"""The stories that are still worth telling, side by side: what a level adds to them, and how they branch.

Pure. Left to right over every programme's chart: at each new level, and when a phase's time is up, a story may go on to
a later phase. Of stories that tell the same (programme, phase, cycle) the cheapest is kept. What they cost is in
``weighing``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from loadbook.recognise import beside, prices, stuck
from loadbook.recognise.chart_model import GRACE_MS, PhaseModel
from loadbook.recognise.familiar import learn
from loadbook.recognise.going_on import alone_since_mask, explains, least_owed, owed, prepay, swaps
from loadbook.recognise.hypothesis import SHORT_MS, Story
from loadbook.recognise.rivals import CHEAPER, Key, Rivals, key_of
from loadbook.recognise.stay import Stay
from loadbook.recognise.stretch import Stretch
from loadbook.recognise.strokes import reverses, stroke_cost, strokes_ended, unspun
from loadbook.recognise.weighing import FAULTY_ROOM, MOTOR_STAGES, Weighing

NEAR_BEST = 12.0
"""A phase may have run unnoticed in a story that is so much better than a hopeless one."""
BESIDE = 1
"""A phase that comes late comes right after its neighbour; one that comes from further off is less likely."""


class Beam(Weighing):
    """All stories of one machine."""

    __slots__ = ()

    def take(self, stretch: Stretch, end_ms: int, end_mwms: int, cut: bool = False) -> None:
        """The level has ended at ``end_ms``, the energy counted up to there. ``cut``: it goes on all the same."""
        standby = self.levels.at_standby(stretch.level_w)
        off = 0 if stretch.void else self.levels.off_mask(stretch.level_w, stretch.volts)
        for story in self.stories:
            start_ms = max(stretch.start_ms, story.now.early_ms)
            if end_ms <= start_ms:
                continue
            if not stretch.void:
                self._take_one(story, stretch, start_ms, (end_ms, end_mwms), cut)
                if end_ms - start_ms >= SHORT_MS:
                    story.now.off_mask |= off
            if standby:
                if story.standby_ms is None:
                    story.standby_ms = start_ms
            else:
                acts = end_ms - start_ms >= SHORT_MS or stretch.level_w > prices.STRONG_W
                if acts or story.standby_ms is None:
                    self._resumed(story, start_ms)
                    story.standby_ms = None
                story.action_ms, story.action_mwms = end_ms, end_mwms
                story.now.action_ms = end_ms
                story.drew_ms += end_ms - start_ms

    def _resumed(self, story: Story, at_ms: int) -> None:
        """It had stood still for a minute or more where no rest belongs: that time does not count for the phase."""
        phase = story.phase
        if story.standby_ms is None or phase is None or phase.quiet:
            return
        still_ms = at_ms - max(story.standby_ms, story.now.early_ms)
        if still_ms >= self.limits.stopped_s * 1000 and phase.works and self.complete(story):
            story.score += prices.WORKS_AGAIN
        if phase.pulsing and not phase.on:
            return
        if still_ms >= 30_000:
            story.now.paused_ms += still_ms

    def _take_one(self, story: Story, stretch: Stretch, start_ms: int, end: tuple[int, int], cut: bool) -> None:
        end_ms = end[0]
        phase = story.phase
        if phase is None:
            if not self.levels.at_standby(stretch.level_w):
                story.score += self.after_end(story, stretch, end_ms - start_ms)
            return
        self._alike(story, stretch, end)
        options = self.levels.explain(phase, stretch.level_w, stretch.volts)
        stood_ms = self.stood_ms(story, stretch) if stretch.start_ms > stretch.level_ms else 0
        step_w = stretch.step_w
        odds = self.step_odds(story, phase, stretch)
        option, cost = story.choose(
            options, end_ms - start_ms, stretch.level_w, phase.pulsing_mask, stood_ms, step_w, odds
        )
        if end_ms - start_ms >= SHORT_MS and self._beside_heater(phase, option) is not None:
            floor_w = story.now.floor_w
            story.now.floor_w = min(floor_w, stretch.level_w) if floor_w else stretch.level_w
        if story.now.floor_w and odds is None:
            option = self._told_apart(story, phase, option, stretch.level_w)
        motor = phase.lone_motor
        if motor is not None and story.now.floor_w and option.mask & phase.heater_mask and option.mask >> motor & 1:
            story.now.strokes_beside = True
        story.score += strokes_ended(self.chart, story, phase, option.mask)
        n = 1 if stretch.brief(end_ms) else stretch.n
        story.score += reverses(story.now, phase, option.mask, (start_ms, end_ms), n)
        story.take(phase, options, (option, cost), start_ms, end_ms, stretch.level_w, n)
        if end_ms - start_ms >= SHORT_MS:
            story.saw(option, stretch.level_w, phase.pulsing_mask, step_w)
        if stretch.settled(end_ms, self.chart.cold_w):
            story.drew.see(beside.told(options, option.mask, odds), stretch.level_ms)
        if not cut:
            learn(story.familiar, option, stretch.level_w, stood_ms + end_ms - start_ms)
        if phase.stage in MOTOR_STAGES and (silent := self.silent_motor(story, phase, end_ms, option.mask)) is not None:
            pulses = story.now.pulses[silent[0]]
            if pulses.silent_ms is None:
                pulses.silent_ms = silent[1]
                story.score += story.silent_price(silent[0], option.mask, story.run_ms(silent[1]))

    def _alike(self, story: Story, stretch: Stretch, end: tuple[int, int]) -> None:
        """While the level fits the phase before as well, the phase before may still hold. ``end`` is when the level
        ended, and the energy by then."""
        now, (end_ms, end_mwms) = story.now, end
        if not now.alike or end_ms - stretch.start_ms < SHORT_MS:
            return
        if self._pattern_broken(story, end_ms):
            now.late_ms, now.late_mwms, now.alike = now.early_ms, now.start_mwms, False
        elif self._fits_before(story, stretch):
            late_ms = min(end_ms, now.late_limit_ms)
            if late_ms > now.late_ms:
                share = (late_ms - stretch.start_ms) / (end_ms - stretch.start_ms)
                now.late_ms = late_ms
                now.late_mwms = stretch.start_mwms + int((end_mwms - stretch.start_mwms) * share)
            now.alike = now.late_ms < now.late_limit_ms
            if not now.alike and self._never_heated(story):
                story.score += prices.NEVER_HEATED
        else:
            now.alike = False

    def branch(self, stretch: Stretch, at_ms: int, now_ms: int, gap_ms: int = 0, again: bool = False) -> None:
        """Every story may go on to a later phase at ``at_ms``; ``gap_ms`` of silence before it may hide phases.
        ``now_ms`` is the time now; ``again``: only where the story's own explanation has gone bad."""
        children: list[Story] = []
        rivals, tried = Rivals(self, now_ms), False
        hopeless = min((self._weigh_one(s, stretch, now_ms) for s in self.stories), default=0.0) + prices.HOPELESS
        for story in self.stories:
            phase = story.phase
            if phase is None or at_ms <= story.now.early_ms:
                continue
            option, stays = explains(self.levels, story, phase, stretch, self.step_odds(story, phase, stretch))
            late_ms, mask, clock = story.clock
            known = late_ms == story.now.late_ms and mask == option.mask
            stays += clock if known else self.time_cost(story, story.now.late_ms, now_ms, option.mask, at_ms)
            if again and stays < prices.PATTERN:
                continue
            tried = True
            children += self._children(story, phase, stretch, at_ms, stays, gap_ms, rivals, hopeless - story.score)
        if children or not (again or tried):
            self.add(children, now_ms, rivals.costs)

    def _children(
        self,
        story: Story,
        phase: PhaseModel,
        stretch: Stretch,
        at_ms: int,
        stays: float,
        gap_ms: int,
        rivals: Rivals,
        hopeless: float,
    ) -> Iterable[Story]:
        """For ``hopeless`` more than now a story would be given up."""
        leaving, flags = self._leave(story, phase, at_ms, gap_ms)
        if leaving + prices.NEXT_PHASE > hopeless:
            return
        phases = self.chart.programmes[story.programme].phases
        skips, hidden_ms, needed = 0.0, 0, story.left_out
        stepped = at_ms == stretch.level_ms and abs(stretch.step_w) > 0.15 * stretch.level_w + 5
        ripe = story.most_ms(at_ms) >= phase.min_ms
        standby = self.levels.at_standby(stretch.level_w)
        unstepped = prices.SKIP_UNSTEPPED if at_ms > stretch.level_ms and not gap_ms else 0.0
        rested = standby and stays >= prices.PATTERN
        left_on = 0 if gap_ms or hopeless < NEAR_BEST else stuck.left_on(self.levels, story, phase, stretch, at_ms)
        gone, gone_ms = (0, 0) if gap_ms else stuck.gone(story)
        hiding = (left_on, stuck.on_since_ms(story, left_on)) if left_on else (gone, gone_ms)
        behind_ms: int | None = None
        believed = story.believed()
        still = 0 if gap_ms or left_on or gone else stuck.heaters(self.chart, believed) & story.drew.until(at_ms)[0]
        begun = alone_since_mask(story) if at_ms > stretch.level_ms else 0
        for place in range(story.now.place + 1, len(phases) + 1):
            whole = leaving + skips + prices.NEXT_PHASE
            if "too_short" in flags and place < len(phases) and phase.narrows_to(phases[place]):
                whole += prices.SHORT_FOR_WANT
            if whole > prices.HOPELESS or whole > hopeless:
                break
            key = (story.programme, place, story.start_ms, needed, False)
            if place == len(phases):
                if standby and needed == story.left_out and not rivals.beat(key, story.score + whole):
                    if phase.on and not gap_ms and behind_ms is None and story.standby_ms is not None:
                        ended_ms = min(at_ms, max(story.standby_ms, story.now.early_ms + 1))  # then it stood still
                        leaving, flags = self._leave(story, phase, ended_ms, gap_ms)
                        whole = leaving + skips + prices.NEXT_PHASE
                    yield self._child(story, place, at_ms, stretch, whole, flags, gap_ms, behind_ms)
                break
            here, room = phases[place], 3.5
            begins = (self.levels, story, here, stretch, at_ms, believed)
            if behind_ms is not None and not gone and not stuck.begins(*begins):
                if not here.optional:
                    break  # nothing shows that a phase has run unnoticed
                skips += prices.SKIP_OPTIONAL
                continue
            if ripe and skips < 2.0 and (stepped or rested or stuck.begins(*begins)):
                room = FAULTY_ROOM
            # only a level that fits is looked at closely where no fault could be cheap enough
            if (
                not begun & here.on_mask
                and (
                    (skips < 2.0 and whole + prices.LEAST_PRICE < stays + room)
                    or self.levels.healthy_z(here, stretch.level_w, stretch.volts) * 0.5 < 1.0
                )
                and not rivals.beat(key, story.score + whole)
            ):
                options = self.levels.explain(here, stretch.level_w, stretch.volts)
                price = options.price if not believed else min(o.price_knowing(believed) for o in options)
                beside = any(kind == "unexpected" for kind, _ in options[0].faults)
                if beside and stuck.begins(*begins):
                    price -= prices.STUCK_ON
                within = at_ms > stretch.level_ms and not gap_ms
                no_step = prices.NO_STEP if within and swaps(self.levels, story, phase, options, stretch) else 0.0
                if needed > story.left_out and not unstepped and not gap_ms and here.looks_like(phase):
                    no_step += prices.SKIP_UNSTEPPED
                price += no_step
                healthy = price < 1.0
                if healthy or (skips < 2.0 and whole + price < stays + room):
                    child = self._child(story, place, at_ms, stretch, whole + no_step, flags, gap_ms, behind_ms)
                    if not healthy:
                        child.debt = price
                        if at_ms > stretch.level_ms:
                            prepay(child, options)
                    yield child
            if story.came_early(place):
                continue  # it has come already, before its time
            hidden_ms += here.min_ms
            if gap_ms and hidden_ms <= gap_ms + 2_000:
                skips += prices.SKIP_UNSEEN
            elif here.optional:
                skips += prices.SKIP_OPTIONAL
            elif (
                (left_on or gone or stuck.untold(self.levels, still, phase, here, stretch))
                and place == story.now.place + 1
                and (behind_ms := stuck.hidden_ms(story, phase, here, *hiding, at_ms)) is not None
            ):
                skips += 0.0 if gone else prices.SKIP_UNSEEN
                long = prices.TOO_LONG_ALIKE * leaving if left_on else 0.0  # what stays on is too long all the same
                leaving, before = self._leave(story, phase, behind_ms, 0)
                leaving = max(leaving, long)
                if "too_long" in flags and (left_on or at_ms - behind_ms > here.max_ms + GRACE_MS):
                    before["too_long"] = flags["too_long"]  # too long for both together
                flags = before
            else:
                skips += prices.SKIP_NEEDED + unstepped
                needed += 1
        if not gap_ms and leaving + prices.OUT_OF_ORDER <= hopeless:
            yield from self._back(story, stretch, at_ms, leaving, flags)

    def _back(
        self, story: Story, stretch: Stretch, at_ms: int, leaving: float, flags: dict[str, tuple[int, float]]
    ) -> Iterable[Story]:
        """A needed phase that was left out may come after all, out of order: where something draws that shows it, and
        that this phase cannot draw."""
        phase = story.phase
        if phase is None or not story.skipped or self.levels.at_standby(stretch.level_w):
            return
        if not explains(self.levels, story, phase, stretch)[0].faults:
            return
        phases = self.chart.programmes[story.programme].phases
        for place, _ in story.skipped:
            if self.levels.healthy_z(phases[place], stretch.level_w, stretch.volts) * 0.5 < 1.0:
                far = story.now.place - place - BESIDE
                price = leaving + prices.OUT_OF_ORDER + prices.OUT_OF_ORDER_FAR * far
                child = self._child(story, place, at_ms, stretch, price, flags, 0)
                child.turned = True
                child.skipped = tuple(s for s in story.skipped if s[0] != place)
                child.now.flags["out_of_order"] = (at_ms, 0.0)
                yield child

    def _leave(
        self, story: Story, phase: PhaseModel, at_ms: int, gap_ms: int
    ) -> tuple[float, dict[str, tuple[int, float]]]:
        """What it costs to end the phase here, and what that says of its length."""
        flags = dict(story.now.flags)
        most_ms = story.most_ms(at_ms)
        least_ms = story.run_ms(at_ms) - gap_ms
        cost = prices.NOT_YET if story.now.alike else 0.0
        if short := phase.too_short(most_ms):
            cost += short
            flags["too_short"] = (at_ms, most_ms / 1000)
        for i in phase.on:
            if i not in story.now.seen_ms and not gap_ms:
                suspect = story.now.suspects.get(("missing", i))
                cost += max(0.0, story.price_in_full(("missing", i)) - (suspect.paid if suspect else 0.0))
        if story.now.well_ms < SHORT_MS and not gap_ms:
            cost += least_owed(story)
        may_end = story.now.place >= self.chart.programmes[story.programme].last_needed
        cost += 0.0 if gap_ms else stroke_cost(self.chart, story, phase, at_ms) + owed(story, phase, at_ms, may_end)
        cost += phase.unusual(least_ms, most_ms) + (0.0 if gap_ms else unspun(story.now, phase))
        over_ms = least_ms - phase.max_ms
        if -GRACE_MS < over_ms <= GRACE_MS and not gap_ms and phase.unheated(story.now.seen_ms):
            cost += prices.NEVER_HEATED
        if over_ms > GRACE_MS:
            cost += self._overrun(story, over_ms, phase)
            flags["too_long"] = (story.now.late_ms + story.now.paused_ms + phase.max_ms, least_ms / 1000)
        return cost, flags

    def _child(
        self, story: Story, place: int, at_ms: int, stretch: Stretch, price: float,
        flags: dict[str, tuple[int, float]], gap_ms: int, behind_ms: int | None = None,
    ) -> Story:  # fmt: skip
        phases = self.chart.programmes[story.programme].phases
        phase = phases[place] if place < len(phases) else None
        child = Story(story.programme, story.start_ms, story.start_mwms, story.now, phase, story.score + price)
        child.standby_ms, child.drew_ms, child.before = story.standby_ms, story.drew_ms, story.before
        child.refund = story.refund
        child.action_ms, child.action_mwms = story.action_ms, story.action_mwms
        left = story.now.copy()
        left.flags = flags
        left.end_ms = at_ms - gap_ms
        left.end_mwms = stretch.start_mwms
        past = [*story.past, left]
        skipped = list(story.skipped)
        room_ms, at = gap_ms, at_ms - gap_ms
        for k in range(story.now.place + 1, place):
            if behind_ms is not None and k == story.now.place + 1:
                past.append(stuck.split(left, k, behind_ms))
            elif gap_ms and phases[k].min_ms <= room_ms + 2_000:
                room_ms -= phases[k].min_ms
                unseen = Stay(k, at, at, stretch.start_mwms, min(at + phases[k].min_ms, at_ms), stretch.start_mwms)
                unseen.unseen = True
                at = unseen.end_ms or at
                past.append(unseen)
            elif not phases[k].optional and not story.came_early(k):
                skipped.append((k, at_ms))
        limit = left.late_ms + left.paused_ms
        if story.now.place < len(phases):
            behind = phases[story.now.place]
            limit += behind.max_ms if behind.usual_ms is None else behind.usual_ms
        child.now = Stay(place, at if gap_ms else at_ms, at_ms, stretch.start_mwms, late_limit_ms=limit)
        child.past, child.skipped = tuple(past), tuple(skipped)
        child.odd = (*story.odd, left) if left.is_odd() else story.odd
        child.rested_ms = story.rested_ms + left.paused_ms
        child.known = story.believed()
        if behind_ms is not None:
            child.now.alike = False
        child.now.stepped = stuck.begins(self.levels, story, phase, stretch, at_ms, child.known)
        child.familiar, child.turned = dict(story.familiar), story.turned
        child.drew = replace(story.drew)
        return child

    def begin(
        self, stretch: Stretch, price: float, inside: bool, before: Story | None = None, refund: float = 0.0
    ) -> None:
        """A cycle may begin with this level, at an early phase of any programme; ``inside``: or have begun before the
        log did."""
        found: list[Story] = []
        at_ms = stretch.start_ms
        for number, programme in enumerate(self.chart.programmes):
            skips = 0.0
            skipped: list[tuple[int, int]] = []
            for place, phase in enumerate(programme.phases):
                options = self.levels.explain(phase, stretch.level_w, stretch.volts)
                drawing = any(o.mask and not o.faults for o in options)
                late = prices.LOG_BEGINS_INSIDE if inside and place else skips
                if late > prices.HOPELESS - 2:
                    break
                if drawing or (skips < 2.0 and not self.levels.at_standby(stretch.level_w)):
                    now = Stay(place, at_ms, at_ms, stretch.start_mwms, alike=False)
                    cost = price + late + (0.0 if drawing else 0.1)
                    story = Story(number, at_ms, stretch.start_mwms, now, phase, cost)
                    story.skipped = () if inside else tuple(skipped)
                    story.before, story.refund = before, refund
                    story.action_ms, story.action_mwms = at_ms, stretch.start_mwms
                    found.append(story)
                if phase.quiet or phase.optional:
                    skips += prices.SKIP_OPTIONAL
                else:
                    skips += prices.SKIP_NEEDED
                    skipped.append((place, at_ms))
        self.add(found, at_ms)

    def add(self, children: list[Story], at_ms: int, costs: Sequence[float] = ()) -> None:
        """Takes in new stories. Of those that tell the same the cheapest is kept, and that which would be the cheapest
        were its phase left now: one that began earlier need not last any longer. To be followed by ``weigh``.
        ``costs``: what the old ones cost now, where that is known."""
        best: dict[Key, list[tuple[float, float, Story]]] = {}
        known = len(costs)
        for k, story in enumerate((*self.stories, *children)):
            cost = costs[k] if k < known else story.score + story.debt + self.time_cost(story, story.now.late_ms, at_ms)
            story.debt = 0.0
            left = cost + (0.0 if story.phase is None else story.phase.too_short(story.most_ms(at_ms)))
            same = best.setdefault(key_of(story), [])
            if not same:
                same.append((cost, left, story))
            elif cost < same[0][0] - CHEAPER:
                last = min(same, key=lambda row: row[1])
                best[key_of(story)] = [(cost, left, story)] + ([last] if last[1] < left - CHEAPER else [])
            elif left < min(row[1] for row in same) - CHEAPER:
                same[1:] = [(cost, left, story)]
        self.stories = [row[2] for same in best.values() for row in same]
