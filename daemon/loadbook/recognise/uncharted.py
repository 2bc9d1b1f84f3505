"""Cycles and stages without a chart: from the first to the last draw above the machine's idle.

Pure, and a Tracker like the charted one: it hears of levels, not of readings. What parts one cycle from the next is
decided in ``pauses``, what the stages are in ``stages``; here is the book-keeping of one open run.
"""

from __future__ import annotations

from typing import Any

from loadbook.events import Cycle, CycleChanged, Event, Phase, StateChanged
from loadbook.judge.plates_only import HeaterWatch
from loadbook.machine import Kind, Machine
from loadbook.recognise.pauses import (
    ABANDONED_MS,
    BURST_MS,
    LATE_MS,
    PAUSE_MS,
    SETTLED_MS,
    Pause,
    Run,
    close_after_ms,
    goes_on_late,
    is_proven,
    part_at,
    split_run,
)
from loadbook.recognise.segments import Segment, Segments, thin
from loadbook.recognise.stages import Stage, kind_seen, name_stages
from loadbook.recognise.state_told import by_stages
from loadbook.recognise.texture import scale_of
from loadbook.recognise.track import MWMS_PER_KWH, NEVER_MS, Moment

CHECK_MS = 15_000
DECIDE_MS = 10_000
"""Between two looks at the whole run, where nothing new was learned."""
MOST_SEGMENTS = 400
MOST_DRIVES = 200
SLOW_MS = 6_000
"""One reading alone, between two this far apart, is a stroke of a motor rather than a spike."""
STROKES_APART_MS = 150_000


class Uncharted:
    """The tracker of a machine without programmes, or of nobody knows what."""

    def __init__(self, machine: Machine | None, watch: HeaterWatch | None = None) -> None:
        self.machine, self.watch = machine, watch
        self.scale = scale_of(machine)
        self.next_check_ms = NEVER_MS
        self.idle_from_ms = 0
        self.segments = Segments.of(self.scale)
        self.run: Run | None = None
        self.kind_last: Kind = "other"
        self._level_w: float | None = None
        self._to_ms = -1
        """Levels are accounted for up to here."""
        self._idle_wms = 0.0
        self._idle_ms = 0
        self._stage: str | None = None
        self._decided_ms = 0

    # ------------------------------------------------------------------ what the assessor asks

    @property
    def in_cycle(self) -> bool:
        """A cycle is open (a resting one, that might go on, is not)."""
        return self.run is not None and self.run.told and not self.run.closed

    @property
    def cycle_key_ms(self) -> int | None:
        """The open cycle's key."""
        return self.run.key_ms if self.run is not None and self.in_cycle else None

    @property
    def kind(self) -> Kind:
        """The machine's kind: from its file, else from how this run looks, else from how the last one looked."""
        if (known := self._kind_known()) is not None:
            return known
        if self.run is None:
            return self.kind_last
        seen = kind_seen(self._all_segments(self._to_ms, None))
        return self.kind_last if seen == "other" else seen

    def _kind_known(self) -> Kind | None:
        kind = self.machine.machine.kind if self.machine is not None else "other"
        return None if kind == "other" else kind

    # ------------------------------------------------------------------ what the tracker hears

    def level(self, now: Moment) -> list[Event]:
        """A new level is confirmed."""
        events: list[Event] = []
        was_active = self._level_w is not None and self._level_w > self.scale.quiet_w
        if self._level_w is None:
            self._to_ms = now.start_ms
            if self.run is not None:
                self.segments.lay(now.start_ms, None, now.start_energy_mwms)
        else:
            self._advance(now.start_ms, now.from_w, now.start_energy_mwms)
            if self.run is not None:
                self.segments.change(now.start_ms, now.from_w, now.level_w)
        active = now.level_w > self.scale.quiet_w
        if active and not was_active:
            events += self._resume(now)
        elif was_active and not active and self.run is not None:
            self._fell_quiet(self.run, now.start_ms, now.start_energy_mwms)
        self._level_w = now.level_w
        return events + self._look(now) + self._watch(now)

    def blip(self, now: Moment, power_w: float) -> list[Event]:
        """One reading alone: a spike, or with a slow meter a short stroke. It moves textures, never a cycle's ends."""
        run = self.run
        if run is None:
            return []
        self._advance(now.at_ms, now.level_w, now.energy_mwms)
        if now.at_ms - now.before_ms < SLOW_MS:
            return []
        self.segments.touch(power_w)
        if power_w > self.scale.quiet_w >= now.level_w and run.told and run.still_ms < STROKES_APART_MS:
            run.active_end_ms, run.active_end_mwms, run.still_ms = now.at_ms, now.energy_mwms, 0
        return []

    def gap(self, now: Moment, until_ms: int) -> list[Event]:
        """Nothing is known until ``until_ms``: no evidence either way, unless it lasts too long."""
        held_ms = min(now.at_ms + 10_000, until_ms)
        self._advance(held_ms, now.level_w, now.energy_mwms)
        events: list[Event] = []
        run = self.run
        if run is not None:
            run.peak_w = max(run.peak_w, now.peak_w)
            if self._level_w is not None and self._level_w > self.scale.quiet_w:
                self._fell_quiet(run, held_ms, now.energy_mwms)
            if until_ms - run.active_end_ms >= ABANDONED_MS:
                events += self._end(until_ms)
                self.run = None
                self.next_check_ms = NEVER_MS
        self._level_w = None
        return events

    def check(self, now: Moment) -> list[Event]:
        """The time asked for has come."""
        return self._look(now) + self._watch(now)

    def supply_lost(self, now: Moment, since_ms: int) -> list[Event]:
        """Without a chart a power cut is a quiet like another."""
        return []

    def finish(self, now: Moment) -> list[Event]:
        """The log ended: what is open is running still, unless it has been quiet for a while (it may dry, but no drain
        that is yet to come can prove it)."""
        self._advance(now.at_ms, now.level_w, now.energy_mwms)
        run = self.run
        if run is None:
            return []
        run.peak_w = max(run.peak_w, now.peak_w)
        if not run.told and is_proven(run, ended=True):
            run.told = True
        if run.goes_on():
            run.closed = False
        if not run.told or run.closed:
            return []
        if self._is_quiet() and self._to_ms - run.active_end_ms >= SETTLED_MS:
            return self._end(now.at_ms)
        cycle = self._cycle(run, now.at_ms, now.energy_mwms, now, ended=False)
        return [CycleChanged(now.at_ms, cycle)]

    # ------------------------------------------------------------------ book-keeping

    def _is_quiet(self) -> bool:
        return self._level_w is None or self._level_w <= self.scale.quiet_w

    def _advance(self, to_ms: int, level_w: float, energy_mwms: int) -> None:
        """The level stood at ``level_w`` since we last looked."""
        ms = to_ms - self._to_ms
        if ms <= 0 or self._to_ms < 0:
            self._to_ms = max(self._to_ms, to_ms)
            return
        self._to_ms = to_ms
        run = self.run
        if run is None:
            self._idle_wms = self._idle_wms * 0.9 if self._idle_ms > 7_200_000 else self._idle_wms
            self._idle_ms = int(self._idle_ms * 0.9) if self._idle_ms > 7_200_000 else self._idle_ms
            self._idle_wms += level_w * ms
            self._idle_ms += ms
            return
        self.segments.heater_seen(level_w, ms)
        self.segments.lay(to_ms, level_w, energy_mwms)
        segments, drives = self.segments.take(), self.segments.take_drives()
        if segments or drives:
            run.segments += segments
            run.drives = (run.drives + drives)[-MOST_DRIVES:]
            self._decided_ms = 0
        if len(run.segments) > MOST_SEGMENTS:
            thin(run.segments)
        if level_w > self.scale.quiet_w:
            run.add(ms, True, level_w > self.scale.small_w, level_w >= self.segments.heat_w)
        else:
            run.rest(ms, level_w, self._idle_wms / self._idle_ms if self._idle_ms >= 600_000 else None)

    def _fell_quiet(self, run: Run, at_ms: int, energy_mwms: int) -> None:
        pause = run.pauses[-1] if run.pauses else None
        if pause is not None and pause.active_ms < BURST_MS and pause.resume_ms == run.burst_ms:
            run.pauses.pop()  # two or three readings are a spike: the quiet goes on
            run.still_ms += pause.still_ms
            return
        run.active_end_ms, run.active_end_mwms, run.still_ms, run.off_ms = at_ms, energy_mwms, 0, 0

    def _resume(self, now: Moment) -> list[Event]:
        """A draw above idle begins."""
        run, at_ms = self.run, now.start_ms
        if run is not None and at_ms - run.active_end_ms >= PAUSE_MS:
            events: list[Event] = []
            segments = self._all_segments(run.active_end_ms, None)
            if not goes_on_late(run, segments, self.kind, at_ms):
                events += self._end(at_ms)
                self._begin(at_ms, now.start_energy_mwms)
                return events
            run.burst_ms = at_ms
            off = run.off_ms >= PAUSE_MS and run.off_ms > run.still_ms * 3 // 4
            run.note(Pause(run.active_end_ms, run.active_end_mwms, at_ms, now.start_energy_mwms, run.still_ms, off))
            run.still_ms = 0
        if run is None:
            self._begin(at_ms, now.start_energy_mwms)
        return []

    def _begin(self, at_ms: int, energy_mwms: int) -> None:
        self.run = Run(at_ms, at_ms, energy_mwms, active_end_ms=at_ms, active_end_mwms=energy_mwms)
        self.segments.begin(at_ms, energy_mwms)
        self._to_ms = at_ms
        self._stage = None

    # ------------------------------------------------------------------ decisions

    def _look(self, now: Moment) -> list[Event]:
        """Account for the time up to now, and decide what that proves."""
        self._advance(now.at_ms, now.level_w, now.energy_mwms)
        run = self.run
        if run is None:
            self.next_check_ms = NEVER_MS
            return []
        run.peak_w = max(run.peak_w, now.peak_w)
        if now.at_ms < self._decided_ms + DECIDE_MS:
            return []
        self._decided_ms = now.at_ms
        events: list[Event] = []
        segments = self._all_segments(now.at_ms, now)
        if (pause := part_at(run, segments, self._kind_known())) is not None:
            events += self._part(run, pause, now)
            run = self.run
            assert run is not None
        if not run.told and is_proven(run):
            run.told = True
            events += self._tell(run, now)
        elif run.told and not run.closed:
            if self._is_quiet() and run.still_ms >= close_after_ms(run, segments, self.kind):
                events += self._end(now.at_ms)
            elif self._stage_of(run, now) != self._stage:
                events += self._tell(run, now)
        elif run.goes_on():
            run.closed = False
            events += self._tell(run, now)
        if self._is_quiet() and (run.closed or not run.told) and now.at_ms - run.active_end_ms >= LATE_MS:
            self.run = None
            self.next_check_ms = NEVER_MS
            return events
        self.next_check_ms = now.at_ms + CHECK_MS
        return events

    def _part(self, run: Run, pause: Pause, now: Moment) -> list[Event]:
        """What was drawn after ``pause`` is a programme of its own."""
        before, after = split_run(run, pause)
        self.run = before
        events = self._end(now.at_ms, force=True)
        self.run = after
        opened = self.segments.open
        if opened is not None and opened.start_ms < after.start_ms:
            opened.start_ms, opened.start_mwms = after.start_ms, after.start_mwms
        self._stage = None
        return events

    def _end(self, at_ms: int, force: bool = False) -> list[Event]:
        """The open cycle is complete; it may rest and go on later."""
        run = self.run
        if run is None or not run.told or (run.closed and not force):
            if run is not None and not run.told and force and is_proven(run, ended=True):
                run.told = True
            else:
                return []
        run.closed, run.closed_ms = True, run.active_end_ms
        self.kind_last = self.kind
        self._stage = None
        cycle = self._cycle(run, run.active_end_ms, run.active_end_mwms, None, ended=True)
        return [CycleChanged(at_ms, cycle), StateChanged(at_ms, "idle", run.active_end_ms)]

    def _tell(self, run: Run, now: Moment) -> list[Event]:
        """The open cycle as it is now known."""
        cycle = self._cycle(run, now.at_ms, now.energy_mwms, now, ended=False)
        self._stage = self._stage_of(run, now)
        return [CycleChanged(now.at_ms, cycle), by_stages(now, cycle, self._stage)]

    def state(self, now: Moment) -> StateChanged | None:
        """What the machine does, as the stages have it."""
        run = self.run
        if run is None:
            return None
        cycle = self._cycle(run, now.at_ms, now.energy_mwms, now, ended=False)
        return by_stages(now, cycle, self._stage_of(run, now))

    def _watch(self, now: Moment) -> list[Event]:
        """The heater against its plate; its watts need no chart."""
        if self.watch is None:
            return []
        return self.watch.look(now, now.level_w >= self.segments.heat_w, self.cycle_key_ms)

    # ------------------------------------------------------------------ what is said

    def _all_segments(self, at_ms: int, now: Moment | None) -> list[Segment]:
        run = self.run
        if run is None:
            return []
        return run.segments + self.segments.current(at_ms, None if now is None else now.energy_mwms)

    def _stages(self, run: Run, end_ms: int, now: Moment | None, ended: bool) -> list[Stage]:
        segments = [s.until(end_ms) for s in self._all_segments(end_ms, now) if s.start_ms < end_ms]
        while ended and segments and segments[-1].look == "quiet" and segments[-1].end_ms >= end_ms:
            if segments[-1].start_ms < run.active_end_ms - PAUSE_MS:
                break
            segments.pop()
        return name_stages(segments, run.drives + self.segments.current_drive(end_ms), self.kind, ended)

    def _stage_of(self, run: Run, now: Moment) -> str | None:
        stages = self._stages(run, now.at_ms, now, ended=False)
        return stages[-1].stage if stages else None

    def _cycle(self, run: Run, end_ms: int, energy_mwms: int, now: Moment | None, ended: bool) -> Cycle:
        stages = self._stages(run, end_ms, now, ended)
        phases = [
            Phase(
                id=None,
                stage=stage.stage,
                start_ms=run.start_ms if i == 0 else stage.start_ms,
                end_ms=end_ms if i == len(stages) - 1 else stages[i + 1].start_ms,
                power_w=round(stage.energy_mwms / max(stage.end_ms - stage.start_ms, 1) / 1000, 2),
                energy_kwh=stage.energy_mwms / MWMS_PER_KWH,
                on=self._parts_on(stage),
            )
            for i, stage in enumerate(stages)
        ]
        return Cycle(
            key_ms=run.key_ms,
            start_ms=run.start_ms,
            end_ms=end_ms,
            outcome="completed" if ended else "running",
            energy_kwh=(energy_mwms - run.start_mwms) / MWMS_PER_KWH,
            peak_w=round(run.peak_w, 2),
            standby_w=round(self._idle_wms / self._idle_ms, 2) if self._idle_ms >= 60_000 else None,
            phases=phases,
        )

    def _parts_on(self, stage: Stage) -> list[str]:
        """Which of the plated parts explain what was seen; nothing without plates."""
        if self.machine is None:
            return []
        heated = any(p.look == "heat" for p in stage.parts)
        moved = any(p.look in ("run", "tumble", "spin") for p in stage.parts)
        on = []
        for part in self.machine.components:
            if (part.nature == "resistive" and part.rated_w >= 200 and heated) or (
                part.nature == "motor" and part.rated_w > self.scale.small_w and moved
            ):
                on.append(part.id)
        return on

    # ------------------------------------------------------------------ state

    _PLAIN = ("_level_w", "_to_ms", "_idle_wms", "_idle_ms", "_stage", "_decided_ms", "next_check_ms")

    def save(self) -> dict[str, Any]:
        """The state, JSON-able."""
        return {
            "segments": self.segments.save(),
            "run": None if self.run is None else self.run.save(),
            "kind_last": self.kind_last,
            "watch": None if self.watch is None else self.watch.save(),
            "plain": {name: getattr(self, name) for name in self._PLAIN},
        }

    @classmethod
    def restore(cls, machine: Machine | None, state: dict[str, Any], watch: HeaterWatch | None = None) -> Uncharted:
        """As it was when saved."""
        self = cls(machine, watch)
        if watch is not None and state["watch"] is not None:
            watch.load(state["watch"])
        self.segments = Segments.restore(self.scale, state["segments"])
        self.run = None if state["run"] is None else Run.restore(state["run"])
        self.kind_last = state["kind_last"]
        for name in cls._PLAIN:
            setattr(self, name, state["plain"][name])
        return self
