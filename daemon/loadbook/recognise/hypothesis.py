"""One story of what the machine has done since its cycle began: phases run, oddities met, and what that story costs.

Pure. A story is cheap while all is well. Each oddity has a price (``prices``), due bit by bit as its evidence lasts;
the cheapest story is told. Times are ms, energy mW·ms; everything here can be saved as JSON.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Any

from loadbook.recognise import prices
from loadbook.recognise.absent import never_shown, still_missing
from loadbook.recognise.beside import Drew
from loadbook.recognise.chart_model import ChartModel, PhaseModel
from loadbook.recognise.familiar import FULL_MS, Familiar, novelty
from loadbook.recognise.options import Fault, Option, Options
from loadbook.recognise.stay import PATTERN_MS, PATTERN_RESTS, Pulses, Stay, Suspect

SHORT_MS = 2_500
"""A level that lasted less says nothing about faults: a transition, an inrush, a ramp."""
Z_PRICE, Z_MS, Z_FREE, Z_MOST = 3.0, 20_000, 0.2, 12.0
"""Of a far-fetched explanation: for every 20 s; what is free; and the most a phase pays for such."""
Z_EASES_MS = 120_000
"""After so long of what is explained well, it may pay the most once more."""
HEALTHY_MS = 8_000
GONE_MS = 30_000
"""A foreign part that strokes hide has gone when it has not shown for so long."""
EXCUSES = 3.0
"""A fault believed this much, or in full where it is known already, excuses what follows from it."""
AFTER_ALL = 4.0
"""Price of a part that was missing and then came: less likely than one that broke."""


def _strain(z: float, ms: int) -> float:
    """What a far-fetched explanation costs over ``ms``; a little far-fetched is nothing."""
    return Z_PRICE * max(0.0, z - Z_FREE) * ms / Z_MS


@dataclass(slots=True)
class Story:
    """One hypothesis. ``past`` holds the phases behind it (shared between stories, never changed), ``now`` the current
    one; ``now.place`` equal to the number of phases means that the programme is through. ``skipped`` are places of
    needed phases that did not come, each with the instant that proves it."""

    programme: int
    start_ms: int
    start_mwms: int
    now: Stay
    phase: PhaseModel | None
    """The chart's phase of ``now``; None after the last one."""
    score: float = 0.0
    past: tuple[Stay, ...] = ()
    odd: tuple[Stay, ...] = ()
    """Those of ``past`` in which something may have been wrong."""
    rested_ms: int = 0
    """``paused_ms`` of ``past``, summed."""
    skipped: tuple[tuple[int, int], ...] = ()
    standby_ms: int | None = None
    action_ms: int = 0
    action_mwms: int = 0
    drew_ms: int = 0
    debt: float = 0.0
    """What a story that has just branched off will have to pay for how it explains the level."""
    total: float = 0.0
    total_ms: int = -1
    """What it costs in all as of then: for the next weighing, where that is of the same moment."""
    clock: tuple[int, int, float] = (0, 0, 0.0)
    """What the clock alone cost then, of which latest start and of which parts drawing."""
    known: frozenset[Fault] = frozenset()
    """Faults already believed in phases behind."""
    turned: bool = False
    """A phase has come out of order."""
    familiar: Familiar = field(default_factory=dict)
    drew: Drew = field(default_factory=Drew)
    before: Story | None = None
    """How the cycle before ended, as long as it is not certain that a new one has begun."""
    refund: float = 0.0
    """Of what it paid to begin: given back once the phase before can no longer explain what draws."""

    @property
    def left_out(self) -> int:
        """How many needed phases did not come; a hundred more where one came out of order."""
        return len(self.skipped) + (100 if self.turned else 0)

    def came_early(self, place: int) -> bool:
        """Whether a phase still ahead on the chart has run already, out of order."""
        return self.turned and any(stay.place == place for stay in self.past)

    def save(self) -> dict[str, Any]:
        names = (
            "programme", "start_ms", "start_mwms", "score", "standby_ms", "action_ms", "action_mwms", "drew_ms",
            "refund", "turned",
        )  # fmt: skip
        return {
            **{name: getattr(self, name) for name in names},
            "drew": asdict(self.drew),
            "now": self.now.save(),
            "past": [stay.save() for stay in self.past],
            "skipped": [list(s) for s in self.skipped],
            "known": sorted(list(f) for f in self.known),
            "familiar": [[mask, *seen] for mask, seen in self.familiar.items()],
            "before": None if self.before is None else self.before.save(),
        }

    @classmethod
    def restore(cls, state: dict[str, Any], chart: ChartModel) -> Story:
        state = dict(state)
        state["now"] = Stay.restore(state["now"])
        state["phase"] = chart.programmes[state["programme"]].place(state["now"].place)
        state["past"] = tuple(Stay.restore(s) for s in state["past"])
        state["odd"] = tuple(stay for stay in state["past"] if stay.is_odd())
        state["rested_ms"] = sum(stay.paused_ms for stay in state["past"])
        state["skipped"] = tuple((place, at) for place, at in state["skipped"])
        state["known"] = frozenset((kind, part) for kind, part in state["known"])
        state["familiar"] = {mask: (low, high, ms) for mask, low, high, ms in state.get("familiar", [])}
        state["drew"] = Drew(**state.get("drew", {}))
        state["before"] = None if state["before"] is None else Story.restore(state["before"], chart)
        return cls(**state)

    # ------------------------------------------------------------------ prices

    def price_of(self, fault: Fault, ms: int) -> float:
        """What fault would cost in all, had it shown for ``ms`` more."""
        suspect = self.now.suspects.get(fault)
        so_far = suspect.ms if suspect and suspect.over_ms is None else 0
        return self.price_in_full(fault) * prices.due(fault[0], (so_far + ms) / 1000)

    def price_in_full(self, fault: Fault) -> float:
        """What a fault costs once it is certain: little where the same part had it before in this cycle."""
        kind, part = fault
        price, now, phase = prices.PRICE[kind], self.now, self.phase
        heater = phase is not None and part >= 0 and phase.heaters >> part & 1
        if fault in self.known:
            stays_on = kind == "unexpected" and heater and self.past and self.past[-1].stands(fault)
            return price * (prices.STAYS_ON if stays_on else prices.AGAIN)  # it was never switched off
        suspect, seen_ms = now.suspects.get(fault), now.seen_ms.get(part, 0)
        if (kind == "high" or (kind == "low" and heater)) and seen_ms - (suspect.ms if suspect else 0) > HEALTHY_MS:
            price += prices.OFF_LATER
        if kind == "missing" and phase is not None and seen_ms > HEALTHY_MS and now.shown_mask >> part & 1:
            price += prices.DIED * min(1.0, seen_ms / max(phase.min_ms, HEALTHY_MS)) ** 2
        if kind == "idle" and phase is not None and now.well_ms > max(HEALTHY_MS, phase.min_ms):
            price += prices.IDLE_WHEN_RIPE
        if kind != "unexpected":
            return price
        was_on, never_off = bool(self.past) and part in self.past[-1].seen_ms, not now.off_mask >> part & 1
        if was_on and not now.stepped:
            price += prices.STILL_ON
        elif was_on and never_off:
            price -= prices.STUCK_ON
        if phase is not None and suspect and part == phase.next_part:
            like_ms = max(phase.next_min_ms, prices.LIKE_NEXT_MS)
            price += prices.LIKE_NEXT if suspect.alone_ms >= like_ms else 0.0
        if phase is not None and phase.cold_mask >> part & 1 and not (was_on and never_off):
            price += prices.HEATS_IN_THE_END
        return price

    def believed(self) -> frozenset[Fault]:
        """The faults of parts that are as good as certain, here or in a phase behind."""
        silent = [("missing", i) for i, p in self.now.pulses.items() if p.silent_ms is not None]
        if not self.now.suspects:
            return self.known.union(silent) if silent else self.known
        return self.known.union(
            silent, (f for f, s in self.now.suspects.items() if s.paid >= self.price_in_full(f) * 0.99 and f[1] >= 0)
        )

    def saw(self, option: Option, level_w: float, pulsing: int, step_w: float) -> None:
        """A level of the phase was explained so: how far-fetched that would be, should it last."""
        if not option.faults and option.mask:
            odd = novelty(self.familiar, self.phase, option, level_w, pulsing, step_w) + _strain(option.z, FULL_MS)
            self.now.odd_least = odd if self.now.odd_least is None else min(odd, self.now.odd_least)

    def cost_of(self, option: Option, ms: int, stood_ms: int = 0) -> float:
        """What a level explained by ``option`` for ``ms`` would add to the score, novelty apart. ``stood_ms``: how long
        it had stood already: what is found wrong with it now has been so all the time."""
        z = option.z
        cost = 0.3 * z * (ms if ms < Z_MS else Z_MS) / Z_MS
        if z > Z_FREE:
            cost += min(_strain(z, ms), max(0.0, Z_MOST - self.now.z_paid))
        if not option.faults:
            return cost
        for fault in option.faults:
            suspect = self.now.suspects.get(fault)
            so_far, paid = (
                (stood_ms, 0.0) if suspect is None else (suspect.ms if suspect.over_ms is None else 0, suspect.paid)
            )
            due = self.price_in_full(fault) * prices.due(fault[0], (so_far + ms) / 1000) - paid
            cost += max(due, 0.0)
        return cost

    def choose(
        self, options: Options, ms: int, level_w: float, pulsing: int, stood_ms: int = 0, step_w: float = 0.0,
        odd: Callable[[int], float] | None = None,
    ) -> tuple[Option, float]:  # fmt: skip
        """The cheapest explanation of ``ms`` of a level, and its price. ``stood_ms``: how long it had stood already;
        ``step_w``: with what step it began; ``odd``: what it costs in full that this step made just the parts of a mask
        draw, beside a heater that stayed on."""
        likely = options.likely
        if options.healthy is None and (self._strokes_go_on(stood_ms + ms) or never_shown(self.phase, self.now)):
            likely = options.awake
        elif self.now.suspects:
            likely = still_missing(self.now, options) or likely
        best = likely[0]
        best_cost, rest = self.cost_of(best, ms, stood_ms), likely[1:]
        if not best.faults and (new := novelty(self.familiar, self.phase, best, level_w, pulsing, step_w)):
            due = prices.due("novel", (stood_ms + ms) / 1000) - prices.due("novel", stood_ms / 1000)
            best_cost += new * due
            rest = options[1:]
        step_due = 0.0
        if odd is not None and (new := odd(best.mask)):
            step_due = prices.due("novel", (stood_ms + ms) / 1000) - prices.due("novel", stood_ms / 1000)
            best_cost += new * step_due
            rest = tuple(option for option in options.every if option is not best)
        for option in rest:
            cost = self.cost_of(option, ms, stood_ms)
            if odd is not None and step_due:
                cost += odd(option.mask) * step_due
            if cost < best_cost:
                best, best_cost = option, cost
        return best, best_cost

    def _strokes_go_on(self, still_ms: int) -> bool:
        """Whether a pulsing motor that has turned in this phase may well be resting only, were all still so long: then
        it is not the machine that stands still, but what should be on and has not shown yet that is missing."""
        if self.phase is None or (self.phase.stage == "spin" and not self.phase.on_mask & ~self.now.alone_mask):
            return False
        return any(
            (pulses := self.now.pulses.get(i)) is not None
            and pulses.n
            and still_ms <= max(PATTERN_MS, PATTERN_RESTS * pulses.longest_rest_ms)
            for i in self.phase.motors
        )

    def silent_price(self, part: int, mask: int, run_ms: int) -> float:
        """What it costs that a drum is missing by the rule of three rests, when it stopped ``run_ms`` after the phase's
        start: had the phase lasted long enough by then, it has rather ended. Little where it was missing before."""
        if ("missing", part) in self.known:
            return prices.MOTOR_QUIET * prices.AGAIN
        ripe = self.phase is not None and run_ms >= self.phase.min_ms
        return prices.MOTOR_QUIET + (prices.STILL_WHEN_RIPE if ripe and not mask else 0.0)

    def excused(self) -> float:
        """How much of it costs that the phase takes its time: little where a part that is missing or weak explains it;
        half where the next phase looks like what is left of this one, for then it has rather begun."""
        phase, share = self.phase, 1.0
        for (kind, part), s in self.now.suspects.items():
            sure = s.paid > min(EXCUSES, 0.98 * self.price_in_full((kind, part)))
            if phase and kind in ("missing", "low") and s.over_ms is None and sure:
                alike = kind == "missing" and phase.mask & ~(1 << part) in phase.next_masks
                excuse = prices.TOO_LONG_ALIKE if alike else prices.TOO_LONG_EXCUSED
                share = min(share, 1.0 if self._did_its_work(part) else excuse)
        return share

    def _did_its_work(self, part: int) -> bool:
        """It drew for as long as the phase has to last: that it stops then is how phases end."""
        return self.phase is not None and self.now.seen_ms.get(part, 0) > max(HEALTHY_MS, self.phase.min_ms)

    # ------------------------------------------------------------------ evidence

    def take(
        self, phase: PhaseModel, options: Options, chosen: tuple[Option, float], start_ms: int, end_ms: int,
        level_w: float, n: int,
    ) -> None:  # fmt: skip
        """A level of ``n`` readings has ended: what it showed becomes part of the story, explained by the one of
        ``options`` that was ``chosen``, at its price. A single reading, however long it was held, may be the mean of
        what was on both sides of a switch."""
        option, cost = chosen
        ms, now = end_ms - start_ms, self.now
        slow = n < 2 and ms >= SHORT_MS
        short = slow or ms < SHORT_MS
        if not short or not (slow or option.faults):
            self.score += cost
            strain = _strain(option.z, ms)
            eased = 0.0 if strain else Z_MOST * ms / Z_EASES_MS
            now.z_paid = min(Z_MOST, max(0.0, now.z_paid + strain - eased))
        if not option.faults:
            now.well_ms += ms
            if not short and option.mask & (option.mask - 1) == 0:
                now.alone_mask |= option.mask
        if not short:
            for fault in option.faults:
                suspect = now.suspects.get(fault)
                if suspect is None or suspect.over_ms is not None:
                    beside = bool(option.mask or now.seen_ms)
                    suspect = suspect.anew(start_ms, beside) if suspect else Suspect(start_ms, seen_beside=beside)
                    now.suspects[fault] = suspect
                suspect.paid = max(suspect.paid, self.price_of(fault, ms))
                suspect.ms += ms
                suspect.streak_ms += ms
                suspect.still_ms += 0 if option.mask else ms
                suspect.alone_ms = suspect.alone_ms + ms if option.mask == 1 << max(fault[1], 0) else 0
                if (
                    fault[0] == "unexpected"
                    and suspect.alone_ms
                    and (owed := self.price_of(fault, 0) - suspect.paid) > 0
                ):
                    suspect.paid += owed
                    self.score += owed
                suspect.w_ms += level_w * ms
            self._contradict(options, option, start_ms, ms)
            for i in phase.on:
                if option.mask & ~now.shown_mask & 1 << i and not options.may_do_without(option, ("missing", i)):
                    now.shown_mask |= 1 << i
        for i in (*phase.on, *phase.pulsing):
            if option.mask >> i & 1:
                now.seen_ms[i] = now.seen_ms.get(i, 0) + ms
        self._pulse(phase, option, start_ms, end_ms)

    def _contradict(self, options: Options, option: Option, at_ms: int, ms: int) -> None:
        """Faults that this level disproves: ended where they were believed, else mostly forgiven."""
        for fault, suspect in list(self.now.suspects.items()):
            kind, part = fault
            if fault in option.faults or suspect.over_ms is not None:
                continue
            drawing = part >= 0 and option.mask >> part & 1
            if kind in ("missing", "low", "high") and not drawing:
                continue
            if kind == "unexpected" and drawing:
                continue
            unseen = kind == "missing" and not self.now.alone_mask >> part & 1
            if unseen and not option.faults and options.may_do_without(option, fault):
                continue
            if kind != "idle":
                suspect.streak_ms = 0
            if kind == "unexpected" and ms < GONE_MS:
                continue
            if suspect.paid >= self.price_in_full(fault) * 0.99:
                suspect.over_ms = at_ms
                still = suspect.still_ms == suspect.ms and not suspect.again
                if kind == "missing" and still and part in self.now.seen_ms:  # a pause, a door opened
                    suspect.paid *= 0.5
                    self.score -= suspect.paid
                elif kind == "missing":
                    self.score += AFTER_ALL
            elif kind != "unexpected":
                back = 0.5 if kind in ("excess", "heats", "high", "idle") else 1 - prices.KEPT_OF_CLEARED
                self.score -= suspect.paid * back
                del self.now.suspects[fault]

    def _pulse(self, phase: PhaseModel, option: Option, start_ms: int, end_ms: int) -> None:
        for i in phase.pulsing:
            pulses = self.now.pulses.get(i)
            if pulses is None:
                pulses = self.now.pulses[i] = Pulses()
            if option.mask >> i & 1:
                if not pulses.drawing:
                    if pulses.rest_since_ms is not None and pulses.n:
                        rest_ms = start_ms - pulses.rest_since_ms
                        usual_ms = max(prices.RESTED * pulses.longest_rest_ms, prices.RESTED_MS)
                        if phase.resistive_mask >> i & 1 and pulses.n > 2 and rest_ms > usual_ms:
                            self.score += prices.HEAT_AGAIN
                        pulses.longest_rest_ms = max(pulses.longest_rest_ms, rest_ms)
                    pulses.silent_ms = None
                    pulses.n += 1
                    pulses.drawing, pulses.on_since_ms = True, start_ms
                so_far_ms = start_ms - pulses.on_since_ms
                if phase.stage == "wait" and so_far_ms <= prices.TURNS_MS < so_far_ms + end_ms - start_ms:
                    self.score += prices.NO_STROKE
                pulses.rest_since_ms = end_ms
            else:
                if pulses.drawing:
                    pulses.longest_on_ms = max(pulses.longest_on_ms, start_ms - pulses.on_since_ms)
                pulses.drawing = False
                if pulses.rest_since_ms is None:
                    pulses.rest_since_ms = start_ms

    def blip(self, phase: PhaseModel, at_ms: int, mask: int) -> None:
        """A short stroke of the parts in ``mask``, seen by one reading only."""
        for i in phase.pulsing:
            pulses = self.now.pulses.get(i)
            if not mask >> i & 1 or pulses is None:
                continue
            if not pulses.drawing and pulses.rest_since_ms is not None:
                pulses.n += 1
                pulses.longest_rest_ms = max(pulses.longest_rest_ms, at_ms - pulses.rest_since_ms)
                pulses.rest_since_ms = at_ms

    # ------------------------------------------------------------------ time

    def run_ms(self, at_ms: int) -> int:
        """How long the phase has run at least, pauses left out."""
        return at_ms - self.now.late_ms - self.now.paused_ms

    def overdue_ms(self, mask: int) -> list[int]:
        """When parts that tell of the phase's end will have rested, or had, for longer than they should. ``mask``:
        what draws now."""
        if self.phase is None:
            return []
        rests = [self.now.pulses[i] for i in self.phase.telling if i in self.now.pulses and not mask >> i & 1]
        return [p.rest_since_ms + int(p.overdue_ms()) + 1 for p in rests if p.n and p.rest_since_ms is not None]

    def longest_rest_ms(self, part: int) -> int:
        """The longest rest of a pulsing part in the phases behind."""
        return max((s.pulses[part].longest_rest_ms for s in self.past if part in s.pulses), default=0)

    def most_ms(self, at_ms: int) -> int:
        """How long the phase may have run at most."""
        return at_ms - self.now.early_ms - self.now.paused_ms
