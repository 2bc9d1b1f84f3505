"""Alerts of the open cycle: which findings are ripe, raised once, cleared, withdrawn; stops and cycles without end.

Pure. A finding is ripe when no rival story that is nearly as cheap does without it, and, where several programmes still
fit, when each of them finds the same.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from loadbook.events import Alert, AlertChanged, Event
from loadbook.judge.causes import Drawing, Evidence
from loadbook.judge.findings import Findings
from loadbook.judge.limits import Limits
from loadbook.judge.parts import PartsWatch
from loadbook.judge.ripe import BY_PHASE, ripe
from loadbook.judge.taken_back import TakenBack
from loadbook.judge.verdicts import Finding, Verdicts, begun_anew
from loadbook.machine import Machine
from loadbook.recognise import prices
from loadbook.recognise.beam import Beam
from loadbook.recognise.hypothesis import SHORT_MS, Story
from loadbook.recognise.stretch import Stretch
from loadbook.recognise.track import Moment

RIVAL = 1.0
TAKE_BACK = 2.0
"""What stands is taken back when a story without it is so much better than any with it."""
LEFT_FOR_GOOD_MS = 30_000
"""A phase left so long ago is not gone back to: what was wrong with its parts ended with it."""


@dataclass(slots=True)
class CycleAlerts:
    """``standing`` are names of this cycle's alerts that hold, with the phase they concern."""

    machine: Machine
    limits: Limits
    beam: Beam
    parts: PartsWatch
    verdicts: Verdicts
    findings: Findings
    standing: dict[str, tuple[str, str | None]] = field(default_factory=dict)
    gone: TakenBack = field(default_factory=TakenBack)
    stopped: bool = False
    stopped_ms: int = 0
    cut_before: bool = False

    def start(self, key_ms: int) -> None:
        """A cycle begins."""
        self.standing, self.gone, self.stopped, self.cut_before = {}, TakenBack(), False, False

    def end(self, key_ms: int) -> None:
        """Its alerts need not be remembered any more."""
        self.findings.forget(key_ms)
        for name in list(self.findings.open):
            if name.startswith(f"{key_ms}/"):
                del self.findings.open[name]
        self.start(key_ms)

    def take_back(self, since_ms: int, at_ms: int) -> list[Event]:
        """What has begun since then was another cycle's doing."""
        names = [n for n, alert in self.findings.open.items() if n in self.standing and alert.began_ms >= since_ms]
        return [event for name in names for event in self._withdraw(name, at_ms)]

    def settle(self, key_ms: int, end_ms: int, at_ms: int) -> list[Event]:
        """The cycle has completed: what was wrong in it is over, and stays on record."""
        events: list[Event] = []
        for name, alert in list(self.findings.open.items()):
            if name.startswith(f"{key_ms}/"):
                events += self.findings.clear(name, max(end_ms, alert.began_ms), keep=True)
                self._keep_event_time(events, at_ms)
        return events

    def kinds_by_phase(self) -> dict[str, set[str]]:
        """Alert kinds that stand, by phase id ('' for the cycle as a whole)."""
        kinds: dict[str, set[str]] = {}
        for kind, phase in self.standing.values():
            kinds.setdefault(phase or "", set()).add(kind)
        return kinds

    # ------------------------------------------------------------------ findings

    def update(self, key_ms: int, best: Story, stretch: Stretch, now: Moment) -> list[Event]:
        """Raises what has become ripe, clears what has ended, withdraws what has lost its ground."""
        at_ms = now.at_ms
        if not self._established(best, at_ms):
            return []
        found = self._findings(best, stretch, at_ms)
        names = {f"{key_ms}/{f.name}" for f in found}
        news = any(f"{key_ms}/{f.name}" not in self.standing for f in found)
        rivals = [(s, self._findings(s, stretch, at_ms)) for s in self._rivals(best)] if news else []
        events: list[Event] = []
        moved: dict[tuple[str, str | int], int] = {}
        lost = [n for n in self.standing if n not in names and n.startswith(f"{key_ms}/") and "/cycle/" not in n]
        kept = self._still_likely(key_ms, best, stretch, at_ms) if lost else set()
        doubted = {self.findings.open[n].began_ms for n in lost if n in kept and n in self.findings.open}
        for name in [n for n in lost if n not in kept]:
            withdrawn = self._withdraw(name, at_ms)
            for alert in (e.alert for e in withdrawn if e.alert.component):
                moved |= {(alert.kind, place): alert.raised_ms for place in (alert.component or "", alert.began_ms)}
            events += withdrawn
        for finding in found:
            name = f"{key_ms}/{finding.name}"
            if name in self.standing:
                over_ms = self._over_ms(finding, best, at_ms)
                if over_ms is not None:
                    measured = finding.measured if finding.kind == "phase_too_long" else None
                    events += self.findings.clear(name, over_ms, measured, keep=True)
                    self._keep_event_time(events, at_ms)
            elif finding.kind == "component_missing" and finding.began_ms in doubted:
                continue  # it is said of another part, and that may yet be so
            elif best.phase is not None and self.gone.waits(name, at_ms):
                continue
            elif (
                not self.stopped
                and ripe(finding, best, rivals, self.beam, stretch, at_ms)
                and not begun_anew(self.beam, finding, best)
            ):
                events += self._raise(name, finding, key_ms, best, stretch, at_ms, moved)
        ran_until_ms = at_ms if best.phase is not None else best.action_ms
        if self._longest(best)[0] <= ran_until_ms:
            never_ms, longest_ms = self._never_ending(best)
            if never_ms <= ran_until_ms:
                ran_s = (at_ms - best.start_ms) / 1000
                events += self._raise_plain(key_ms, "never_ending", never_ms, at_ms, ran_s, longest_ms / 1000)
        return events

    @staticmethod
    def _over_ms(finding: Finding, best: Story, at_ms: int) -> int | None:
        """When a finding ended: when it was disproved, or with the phase whose part or watts it is about."""
        if finding.over_ms is not None or finding.kind in BY_PHASE:
            return finding.over_ms
        for stay in best.past:
            if stay.place == finding.place and stay.end_ms is not None and at_ms - stay.end_ms >= LEFT_FOR_GOOD_MS:
                return max(stay.end_ms, finding.began_ms)
        return None

    def _still_likely(self, key_ms: int, best: Story, stretch: Stretch, at_ms: int) -> set[str]:
        """What stories nearly as cheap as the best one find wrong with parts: as it takes a margin to say a thing, so
        it does to take it back, until the cycle is through."""
        likely: set[str] = set()
        for story, total in zip(self.beam.stories, self.beam.totals, strict=True):
            if total - self.beam.totals[0] >= TAKE_BACK or self.beam.complete(best):
                break
            if story is not best and story.start_ms == best.start_ms and story.programme == best.programme:
                likely |= {f"{key_ms}/{f.name}" for f in self._findings(story, stretch, at_ms) if f.part >= 0}
        return likely

    def _rivals(self, best: Story) -> list[Story]:
        """Stories of the same programme that are nearly as cheap; the cheapest of every other that still fits."""
        found, seen = [], {best.programme}
        for story, total in zip(self.beam.stories, self.beam.totals, strict=True):
            behind = total - self.beam.totals[0]
            if story is best or story.start_ms != best.start_ms or behind >= prices.MARGIN:
                continue
            if story.programme == best.programme:
                if behind < RIVAL:
                    found.append(story)
            elif story.programme not in seen:
                seen.add(story.programme)
                found.append(story)
        return found

    @staticmethod
    def _keep_event_time(events: list[Event], at_ms: int) -> None:
        if events and isinstance(events[-1], AlertChanged):
            events[-1] = AlertChanged(at_ms, events[-1].alert, events[-1].withdrawn)

    def _findings(self, story: Story, stretch: Stretch, at_ms: int) -> list[Finding]:
        found = self.verdicts.of(story, stretch, at_ms)
        phases = self.beam.chart.programmes[story.programme].phases
        watched = self.parts.findings(phases, stretch.volts)
        if not watched:
            return found
        stays = {s.place: (s.early_ms, s.end_ms or at_ms) for s in (*story.past, story.now)}
        watched = [
            f for f in watched if f.place in stays and stays[f.place][0] - 1_000 <= f.began_ms < stays[f.place][1]
        ]
        whole = {(f.place, f.part) for f in found if f.kind[:6] != "power_"}
        watched = [f for f in watched if (f.place, f.part) not in whole]
        better = {f.name for f in watched}
        return [f for f in found if f.name not in better] + watched

    def _established(self, story: Story, at_ms: int) -> bool:
        """Enough of a cycle has been seen for it to be one: a lamp or a display that wakes passes for a valve."""
        phase = story.phase
        if story.past or phase is None:
            return True
        plates_w = sum(self.beam.chart.parts[i].rated_w for i in (*phase.on, *phase.pulsing))
        return at_ms - story.start_ms >= (10_000 if plates_w > 30 else min(max(phase.min_ms, 20_000), 60_000))

    def _raise(
        self, name: str, finding: Finding, key_ms: int, best: Story, stretch: Stretch, at_ms: int,
        moved: dict[tuple[str, str | int], int],
    ) -> list[AlertChanged]:  # fmt: skip
        """``moved``: when what was withdrawn this very moment had been raised; the same of the same part, or since the
        same moment, is the same finding, put down to another phase or another part."""
        self.standing[name] = (finding.kind, finding.phase)
        back = self.gone.pop(name)
        if back is not None:
            back.cleared_ms = None if finding.over_ms is None else max(finding.over_ms, back.raised_ms)
            self.findings.open[name] = back
            return [AlertChanged(at_ms, replace(back))]
        part = self.beam.chart.parts[finding.part] if finding.part >= 0 else None
        where = (part.id, finding.began_ms) if part else ()
        alert = Alert(
            kind=finding.kind,
            began_ms=min(finding.began_ms, at_ms),
            raised_ms=min((moved[k] for k in ((finding.kind, w) for w in where) if k in moved), default=at_ms),
            cycle_key_ms=key_ms,
            phase=finding.phase,
            component=part.id if part else None,
            measured=finding.measured,
            low=finding.low,
            high=finding.high,
            unit=finding.unit,
        )
        events = self.findings.raise_(name, alert, self._evidence(finding, best, stretch))
        if finding.over_ms is not None:
            events += self.findings.clear(name, max(finding.over_ms, alert.began_ms), keep=True)
            events = [AlertChanged(at_ms, e.alert, e.withdrawn) for e in events]
        return events

    def _evidence(self, finding: Finding, best: Story, stretch: Stretch) -> Evidence:
        parts = self.beam.chart.parts
        part = parts[finding.part] if finding.part >= 0 else None
        drew_before = {i for stay in (*best.past, best.now) for i in stay.seen_ms}
        here = next((s for s in (*best.past, best.now) if s.place == finding.place), None)
        phase = self.beam.phase(best, finding.place)
        drawing: dict[str, Drawing] = {}
        if here is not None and phase is not None:
            for i in phase.on:
                drawing[parts[i].id] = "drew" if i in here.seen_ms else "silent"
            for i in here.seen_ms:
                drawing[parts[i].id] = "drew"
        facts = {
            "after_power_cut": self.cut_before,
            "nothing_drew": self.beam.levels.at_standby(stretch.level_w),
            "at_start": finding.place == self.beam.chart.programmes[best.programme].first_needed(),
        }
        if part is not None:
            facts["drew_earlier"] = finding.part in drew_before
            facts["never_drew"] = finding.part not in drew_before
        if stretch.volts is not None:
            off = stretch.volts / self.limits.nominal_voltage_v - 1
            facts["supply_low"] = off < -self.limits.voltage_tolerance
            facts["supply_high"] = off > self.limits.voltage_tolerance
            facts["supply_fine"] = abs(off) <= self.limits.voltage_tolerance
        return Evidence(
            kind=finding.kind,
            stage=finding.stage,
            phase=finding.phase,
            component=part.id if part else None,
            measured=finding.measured,
            low=finding.low,
            high=finding.high,
            unit=finding.unit,
            expected_w=part.expected_w(stretch.volts) if part else None,
            voltage_v=stretch.volts,
            parts=drawing,
            facts=facts,
        )

    def _withdraw(self, name: str, at_ms: int) -> list[AlertChanged]:
        del self.standing[name]
        events = self.findings.withdraw(name, at_ms)
        for event in events:
            self.gone.put(name, event.alert, at_ms)
        return events

    # ------------------------------------------------------------------ the cycle as a whole

    def _raise_plain(
        self,
        key_ms: int,
        kind: str,
        began_ms: int,
        at_ms: int,
        seconds: float,
        high_s: float,
        phase: str | None = None,
    ) -> list[Event]:
        name = f"{key_ms}/cycle/{kind}"
        if name in self.standing:
            return []
        self.standing[name] = (kind, phase)
        alert = Alert(
            kind=kind, began_ms=began_ms, raised_ms=at_ms, cycle_key_ms=key_ms, phase=phase,
            measured=round(seconds, 1), high=high_s, unit="s",
        )  # fmt: skip
        return list(self.findings.raise_(name, alert))

    def never_ending_ms(self, best: Story, before_ms: int) -> int:
        """When the cycle will have run longer than any programme that still fits can; asked for where that may be
        before ``before_ms``, else no earlier than that."""
        own_ms = self._longest(best)[0]
        return own_ms if own_ms >= before_ms else self._never_ending(best)[0]

    def _never_ending(self, best: Story) -> tuple[int, int]:
        """The same, and how long that programme takes at most, ms."""
        limit = self.beam.totals[0] + prices.MARGIN
        return max(
            self._longest(story)
            for story, total in zip(self.beam.stories, self.beam.totals, strict=True)
            if story is best or (story.start_ms == best.start_ms and total < limit)
        )

    def _longest(self, story: Story) -> tuple[int, int]:
        """When a story's programme will have run for longer than it can, and how long that is, ms."""
        longest_ms = self.beam.chart.programmes[story.programme].longest_ms
        return story.start_ms + longest_ms + story.rested_ms + story.now.paused_ms + 1_000, longest_ms

    def waits_ms(self, story: Story, stretch: Stretch) -> list[int]:
        """How long the machine may stand still here before it has stopped early."""
        phases = self.beam.chart.programmes[story.programme].phases
        place = self._stood_in(story)
        if place >= len(phases):
            return []
        here, after = phases[place], phases[place + 1] if place + 1 < len(phases) else None
        since_ms = stretch.start_ms if story.standby_ms is None else story.standby_ms
        grace_ms = int(self.limits.quiet_grace_s * 1000)
        if here.quiet:
            late_ms = story.now.late_ms + story.now.paused_ms
            return [max(late_ms - since_ms, 0) + here.max_ms + grace_ms + 1_000]
        if after is not None and after.quiet:
            return [after.max_ms + grace_ms]
        stopped_ms = int(self.limits.stopped_s * 1000)
        last = story.past[-1] if story.past else None
        if last is not None and last.place < place and phases[last.place].quiet:  # its time has passed unseen
            return [max(last.late_ms - since_ms, 0) + phases[last.place].max_ms + grace_ms + 1_000]
        return [stopped_ms]

    def _stood_in(self, story: Story) -> int:
        """The place of the phase in which all stands still: not one that is only thought to have come since, a part of
        it missing that has not been missed before."""
        stays = (*story.past, story.now)
        since_ms = 1 << 62 if story.standby_ms is None else story.standby_ms - SHORT_MS
        k = len(stays) - 1
        while k > 0 and stays[k].early_ms >= since_ms and not stays[k].seen_ms and not stays[k].unseen:
            k -= 1
        behind = self.beam.phase(story, stays[k].place)
        missed = {f for s in stays[k + 1 :] for f in s.suspects if f[0] == "missing"}
        if behind is None or behind.quiet or not missed or any(f in s.suspects for f in missed for s in stays[: k + 1]):
            return story.now.place
        return stays[k].place

    def stop(self, key_ms: int, best: Story, stretch: Stretch, at_ms: int, still_ms: int) -> list[Event]:
        """Raises ``stopped_early`` when its time has come; clears it when the cycle goes on."""
        name = f"{key_ms}/cycle/stopped_early"
        if still_ms == 0:
            if self.stopped and at_ms - stretch.start_ms >= 5_000:
                self.stopped = False
                self.standing.pop(name, None)
                return list(self.findings.clear(name, at_ms))
            return []
        waits = self.waits_ms(best, stretch)
        if self.stopped or not waits or still_ms < waits[0]:
            return []
        self.stopped, self.stopped_ms = True, at_ms
        phase = self.beam.phase(best, self._stood_in(best))
        return self._raise_plain(
            key_ms,
            "stopped_early",
            at_ms - still_ms,
            at_ms,
            still_ms / 1000,
            waits[0] / 1000,
            phase.id if phase else None,
        )

    def supply_lost(self, key_ms: int, since_ms: int, at_ms: int) -> list[Event]:
        """The supply went away within the cycle."""
        self.cut_before = True
        lost_s = (at_ms - since_ms) / 1000
        alert = Alert(
            kind="power_lost", began_ms=since_ms, raised_ms=at_ms, cycle_key_ms=key_ms, measured=round(lost_s, 1),
            high=self.limits.power_lost_s, unit="s",
        )  # fmt: skip
        return list(self.findings.raise_("power_lost", alert))

    def save(self) -> dict[str, Any]:
        return {
            "standing": {name: list(value) for name, value in self.standing.items()},
            "gone": self.gone.save(),
            "stopped": self.stopped,
            "stopped_ms": self.stopped_ms,
            "cut_before": self.cut_before,
        }

    def load(self, state: dict[str, Any]) -> None:
        self.standing = {name: (kind, phase) for name, (kind, phase) in state["standing"].items()}
        self.gone = TakenBack.restore(state["gone"])
        self.stopped, self.cut_before = state["stopped"], state["cut_before"]
        self.stopped_ms = state["stopped_ms"]
