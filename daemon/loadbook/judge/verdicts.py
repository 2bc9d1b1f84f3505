"""From a story to findings: what is wrong in its phases, since when, and whether it is proven yet.

Pure. What a part draws within its phase is judged in ``judge.parts``; this is about phases and about parts that are
missing or do not belong.
"""

from __future__ import annotations

from dataclasses import dataclass

from loadbook.judge.limits import Limits
from loadbook.recognise import prices
from loadbook.recognise.beam import Beam
from loadbook.recognise.chart_model import GRACE_MS, PhaseModel
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.stay import Stay, Suspect
from loadbook.recognise.stretch import Stretch
from loadbook.recognise.weighing import MOTOR_STAGES

MISSING_AFTER_BREAK_MS = 11_000
MISSING_FROM_START_MS = 12_000
UNEXPECTED_MS, UNEXPECTED_BITS_MS = 12_000, 25_000
TRICKLE_MS = 18_000
"""A vent or a valve's last drop is over by then."""
WEAK_MS, WEAK_HEATER_MS = 15_000, 23_000
MISSING_SURE_MS = 20_000
STANDSTILL_MS = 61_000
"""A pause, a door opened, is shorter than this."""
NEVER_BEGAN_MS = 25_000
"""Where nothing of a phase has drawn yet, it is no pause: its parts do not come."""
SOON_MS = 23_000
"""An overrun is no longer held for another cycle that may have begun when it is this long."""
SETTLED_MS = 6_000
"""A later phase must have lasted this long before it proves anything about the ones before it."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing wrong with a cycle. ``sure`` counts ms of evidence beyond what is needed; ``over_ms`` is when it
    ended."""

    kind: str
    place: int
    phase: str | None
    stage: str | None
    part: int
    began_ms: int
    measured: float | None
    low: float | None
    high: float | None
    unit: str | None
    over_ms: int | None = None
    overdue: bool = False
    """It may wait no longer for rival stories."""

    @property
    def name(self) -> str:
        return f"{self.kind}/{self.place}/{self.part}"

    def same_as(self, other: Finding) -> bool:
        """Whether two programmes find the same thing."""
        if self.kind != other.kind:
            return False
        return self.part == other.part if self.part >= 0 else self.stage == other.stage


@dataclass(slots=True)
class Verdicts:
    """Reads findings out of stories."""

    beam: Beam
    limits: Limits

    def of(self, story: Story, stretch: Stretch, at_ms: int) -> list[Finding]:
        """Everything proven by this story as of now."""
        found: list[Finding] = []
        programme = self.beam.chart.programmes[story.programme]
        for stay in story.odd:
            if stay.place < len(programme.phases):
                found += self._stay(story, programme.phases[stay.place], stay, stretch, stay.end_ms or at_ms, None)
        settled = at_ms - story.now.early_ms >= SETTLED_MS
        for place, proven_ms in story.skipped:
            if settled or proven_ms < story.now.early_ms:
                phase = programme.phases[place]
                found.append(
                    Finding(
                        "phase_missing",
                        place,
                        phase.id,
                        phase.stage,
                        -1,
                        proven_ms,
                        0.0,
                        phase.min_ms / 1000,
                        None,
                        "s",
                        None,
                        at_ms - proven_ms >= MISSING_SURE_MS,
                    )
                )
        if story.phase is not None:
            found += self._stay(story, story.phase, story.now, stretch, at_ms, story)
        return found

    def _stay(
        self, story: Story, phase: PhaseModel, stay: Stay, stretch: Stretch, at_ms: int, current: Story | None
    ) -> list[Finding]:
        found: list[Finding] = []
        suspects = stay.suspects
        mask = 0
        if current is not None:
            told = story is self.beam.stories[0]
            option, _, ms = self.beam.option_told(stretch, at_ms) if told else self.beam.option(story, stretch, at_ms)
            mask = option.mask if option else 0
            if option and option.faults:
                suspects = dict(suspects)
            for fault in option.faults if option else ():
                old = suspects.get(fault)
                began = stretch.start_ms if old is None or old.over_ms is not None else old.began_ms
                began = max(began, stay.early_ms)
                so_far = 0 if old is None or old.over_ms is not None else old.ms
                w_ms = 0.0 if old is None else old.w_ms
                streak_ms = (0 if old is None else old.streak_ms) + ms
                still_ms = (0 if not so_far or old is None else old.still_ms) + (0 if mask else ms)
                before = None if old is None else old if old.over_ms is not None else old.before
                suspects[fault] = Suspect(
                    began, so_far + ms, w_ms + stretch.level_w * ms, 0.0, streak_ms, still_ms, before=before
                )
        for (kind, part), suspect in suspects.items():
            one = self._suspect(phase, stay, kind, part, suspect, stretch.volts)
            before = suspect.before  # it is over, and has come again: not yet for long enough to say so
            while one is None and before is not None:
                one = self._suspect(phase, stay, kind, part, before, stretch.volts)
                before = before.before
            if one is not None:
                found.append(one)
        found += self._length(phase, stay, stretch, at_ms, current, story, mask)
        return found

    def _suspect(
        self, phase: PhaseModel, stay: Stay, kind: str, part: int, suspect: Suspect, volts: float | None
    ) -> Finding | None:
        parts, base_w = self.beam.chart.parts, self.beam.levels.base_w
        level_w = suspect.w_ms / max(suspect.ms, 1)
        place, over = stay.place, suspect.over_ms
        still_ms = STANDSTILL_MS if stay.seen_ms else NEVER_BEGAN_MS
        if kind == "idle" and suspect.streak_ms >= still_ms and phase.on and not self._may_be_over(phase):
            # all stands still that should run all the time: the largest of it is named
            part = max(phase.on, key=lambda i: parts[i].rated_w)
            kind = "missing"
        if kind == "missing":
            need = MISSING_AFTER_BREAK_MS if part in stay.seen_ms else MISSING_FROM_START_MS
            if phase.pulsing and not stay.seen_ms and suspect.still_ms == suspect.ms:
                need = NEVER_BEGAN_MS
            if suspect.ms < need:
                return None
            plate = parts[part]
            least, high = plate.band(None)
            return Finding(
                "component_missing", place, phase.id, phase.stage, part, suspect.began_ms, 0.0,
                plate.least_w if least is None else least, high, "W", over, suspect.ms >= 25_000,
            )  # fmt: skip
        if kind == "trickle":
            if part < 0 or suspect.streak_ms < TRICKLE_MS:
                return None
            kind = "unexpected"
        if kind == "unexpected":
            if suspect.streak_ms < UNEXPECTED_MS and suspect.ms < UNEXPECTED_BITS_MS:
                return None
            others = sum(parts[i].rated_w for i in phase.on)
            drawn = round(max(level_w - base_w - others, 0.0), 1)
            if drawn <= self.limits.unexplained_w:
                return None
            return Finding(
                "component_unexpected", place, phase.id, phase.stage, part, suspect.began_ms, drawn, 0.0, 0.0, "W",
                over, suspect.ms >= 25_000,
            )  # fmt: skip
        if kind in ("low", "high"):
            plate = parts[part]
            need = WEAK_HEATER_MS if plate.resistive else WEAK_MS
            if suspect.ms < need or (phase.band_w is not None and not plate.resistive):
                return None
            low, high = plate.band(volts)
            others = sum(self.beam.levels.usual(i, volts) for i in phase.on if i != part)
            drawn = level_w - base_w - others
            for i in phase.pulsing:  # a heater that the chart lets pulse may have been on
                heater_w = self.beam.levels.usual(i, volts) if parts[i].resistive and i != part else 0.0
                drawn -= heater_w if drawn > heater_w + plate.rated_w else 0.0
            drawn = round(max(drawn, 0.0), 1)
            return Finding(
                f"power_{kind}", place, phase.id, phase.stage, part, suspect.began_ms, drawn,
                None if low is None else round(low, 1), round(high, 1), "W", over, suspect.ms >= 25_000,
            )  # fmt: skip
        if kind in ("excess", "heats"):
            if suspect.ms < self.limits.unexplained_s * 1000:
                return None
            high = sum(parts[i].high_w for i in (*phase.on, *phase.pulsing)) + base_w
            return Finding(
                "power_high", place, phase.id, phase.stage, -1, suspect.began_ms, round(level_w, 1), None,
                round(high, 1), "W", over, True,
            )  # fmt: skip
        if kind in ("phase_low", "phase_high") and phase.band_w is not None:
            if suspect.ms < 22_000:
                return None
            return Finding(
                f"power_{kind[6:]}", place, phase.id, phase.stage, -1, suspect.began_ms, round(level_w, 1),
                phase.band_w[0], phase.band_w[1], "W", over, True,
            )  # fmt: skip
        return None

    def _may_be_over(self, phase: PhaseModel) -> bool:
        """Whether nothing needed comes after a phase: then standing still is no fault."""
        for programme in self.beam.chart.programmes:
            if phase in programme.phases:
                return programme.phases.index(phase) >= programme.last_needed
        return False

    def _length(
        self,
        phase: PhaseModel,
        stay: Stay,
        stretch: Stretch,
        at_ms: int,
        current: Story | None,
        story: Story,
        mask: int,
    ) -> list[Finding]:
        found: list[Finding] = []

        def add(kind: str, began_ms: int, seconds: float, low_ms: int | None, high_ms: int | None) -> None:
            low = None if low_ms is None else low_ms / 1000
            high = None if high_ms is None else high_ms / 1000
            found.append(
                Finding(kind, stay.place, phase.id, phase.stage, -1, began_ms, round(seconds, 1), low, high, "s",
                        None if current is not None else stay.end_ms, True)
            )  # fmt: skip

        shows = bool(stay.seen_ms or mask or not phase.on)  # else its part is missing, and that is said
        if current is not None:
            late_ms = stay.early_ms
            if story.most_ms(at_ms) > phase.max_ms + GRACE_MS:
                late_ms = self.beam.late_ms(story, stretch, at_ms)
            run_ms = at_ms - late_ms - stay.paused_ms
            if shows and run_ms > phase.max_ms + GRACE_MS and not self._resting_at_end(story, phase, stretch):
                add(
                    "phase_too_long", late_ms + stay.paused_ms + phase.max_ms, run_ms / 1000, phase.min_ms, phase.max_ms
                )
            silent = self.beam.silent_motor(story, phase, at_ms, mask) if phase.stage in MOTOR_STAGES else None
            if silent is not None:
                found.append(self._silent(phase, stay, *silent, None))
        elif shows and "too_long" in stay.flags:
            began_ms, seconds = stay.flags["too_long"]
            add("phase_too_long", began_ms, seconds, phase.min_ms, phase.max_ms)
        if current is None:
            for part, pulses in stay.pulses.items():
                if pulses.silent_ms is not None:
                    found.append(self._silent(phase, stay, part, pulses.silent_ms, stay.end_ms))
        if current is None and "too_short" in stay.flags:
            began_ms, seconds = stay.flags["too_short"]
            add("phase_too_short", began_ms, seconds, phase.min_ms, phase.max_ms)
        if "out_of_order" in stay.flags:
            add("phase_out_of_order", stay.flags["out_of_order"][0], 0.0, None, None)
        return found

    def _silent(self, phase: PhaseModel, stay: Stay, part: int, since_ms: int, over_ms: int | None) -> Finding:
        plate = self.beam.chart.parts[part]
        return Finding(
            "component_missing", stay.place, phase.id, phase.stage, part, since_ms, 0.0, plate.least_w, plate.high_w,
            "W", over_ms, True,
        )  # fmt: skip

    def _resting_at_end(self, story: Story, phase: PhaseModel, stretch: Stretch) -> bool:
        """The last needed phases are measured to their last action: rest after it is no overrun."""
        phases = self.beam.chart.programmes[story.programme].phases
        last = all(p.optional for p in phases[story.now.place + 1 :])
        if not self.beam.levels.at_standby(stretch.level_w):
            return False
        action = max(story.now.action_ms, story.now.early_ms)
        return last and action - story.now.late_ms - story.now.paused_ms <= phase.max_ms


def begun_anew(beam: Beam, finding: Finding, best: Story) -> bool:
    """Whether a phase seems to go on for too long only because another cycle has begun, as likely as not: that is known
    before all of the overrun's price is due."""
    if finding.kind != "phase_too_long" or (finding.measured or 0) * 1000 >= (finding.high or 0) * 1000 + SOON_MS:
        return False
    limit = beam.totals[0] + prices.MARGIN
    pairs = zip(beam.stories, beam.totals, strict=True)
    return any(total < limit and story.start_ms > best.start_ms for story, total in pairs)
