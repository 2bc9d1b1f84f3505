"""The one core, live and offline: readings in, events out. Pure: no clock, no file, no broker.

``feed`` takes one reading, ``feed_series`` many; the answer is the same however the readings are cut. ``tick`` says
that time has passed without a reading. State is small, of constant size, and can be saved in the middle of a cycle.
"""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np

from loadbook.events import Event, StateChanged
from loadbook.judge.causes import CauseTable
from loadbook.judge.findings import Findings
from loadbook.judge.limits import Limits
from loadbook.judge.standby import Standby
from loadbook.judge.supply import Breach, Impedance, frequency_mean, voltage_mean
from loadbook.machine import Machine
from loadbook.reading import HOLD_MS, Reading, Series
from loadbook.recognise.beside import steps_tell
from loadbook.recognise.choose import restore_tracker, tracker_for
from loadbook.recognise.chunk import Chunk
from loadbook.recognise.plateau import BLIP, CHANGED, FINE_FROM_MW, OUTSIDE, PlateauFinder
from loadbook.recognise.state_told import StateTold
from loadbook.recognise.totals import NO_VALUE, Totals, lately_v, mean_volts_amps
from loadbook.recognise.track import NEVER_MS, Moment

CHUNK = 1 << 16
BACK_N = 60
"""So many readings running that all lie before the last one: the clock has been set back, and we go with it."""
SETTLE_N = 3
"""Readings on each side of a switching step that give its voltages and currents."""


class Assessor:
    """Recognises and judges one machine. ``machine`` None: cycles and stages that the power alone shows."""

    def __init__(self, machine: Machine | None, limits: Limits | None = None, causes: CauseTable | None = None) -> None:
        self.machine = machine
        plate = machine.machine if machine else None
        self.limits = limits or Limits()
        if plate is not None:
            self.limits = self.limits.for_plate(plate)
        self.findings = Findings(machine, causes or CauseTable())
        self.tracker = tracker_for(machine, self.limits, self.findings)
        self.finder = PlateauFinder()
        self.totals = Totals()
        self.voltage = voltage_mean(self.limits)
        self.frequency = frequency_mean(self.limits, plate.rated_frequency_hz if plate else 50.0)
        self.impedance = Impedance(self.limits)
        self.standby_w = plate.standby_w if plate else None
        self.standby = Standby.of(self.limits, self.standby_w)
        self.gone_mv = int(self.limits.nominal_voltage_v * self.limits.supply_gone * 1000)
        self._zero_mw = int((self.standby_w or 0.0) * 100) if (self.standby_w or 0.0) >= 0.5 else 0
        """Without volts, less than this is no supply: a tenth of the standby that would show; 0 where none would."""
        self._gone = False
        self.seen_ms = -1
        self.refused = 0
        self._back = (-1, 0)
        self._level = Moment(-1, 0.0, 0.0, 0.0, -1, -1, 0, 0, 0, 0.0, None, None, 0, 0.0, 0.0)
        self._volts_start = (0, 0)
        self._out = (0, 0, 0)
        self._lost_ms: int | None = None
        self._lost_told = False
        self._resolution_mw = 0
        self._recent: deque[tuple[int, int, int, int]] = deque(maxlen=2 * SETTLE_N + 2)
        self._step_before: tuple[int, float, float] | None = None
        self._step_wait = 0
        self._next_ms = NEVER_MS
        self._steps_tell = machine is not None and steps_tell(machine)
        self.told = StateTold()

    # ------------------------------------------------------------------ readings

    def feed(self, reading: Reading) -> list[Event]:
        """One reading. A reading that is not later than the last one is refused and counted."""
        at_ms = reading.at_ms
        if at_ms <= self.seen_ms and not self._set_back(at_ms):
            return []
        events = self._silence_over(at_ms)
        self.seen_ms = at_ms
        if reading.power_w is None:
            return events
        volts_mv = NO_VALUE if reading.voltage_v is None else round(reading.voltage_v * 1000)
        if volts_mv > self.gone_mv and (found := self.voltage.add(at_ms, volts_mv, 1)) is not None:
            events += self._breach(found)
        if (reading.frequency_hz or 0) > 0 and (volts_mv == NO_VALUE or volts_mv > self.gone_mv):
            found = self.frequency.add(at_ms, round((reading.frequency_hz or 0) * 1000), 1)
            events += self._breach(found) if found else []
        events += self._step(
            at_ms,
            round(reading.power_w * 1000),
            volts_mv,
            NO_VALUE if reading.current_a is None else round(reading.current_a * 1000),
            NO_VALUE if reading.energy_wh is None else round(reading.energy_wh * 1000),
        )
        return events

    def feed_series(self, series: Series) -> list[Event]:
        """Many readings in order of time; the same answer as one by one, much faster."""
        events: list[Event] = []
        for first in range(0, len(series), CHUNK):
            events += self._feed_chunk(series.slice(first, min(first + CHUNK, len(series))))
        return events

    def _feed_chunk(self, series: Series) -> list[Event]:
        events: list[Event] = []
        onward = series.at_ms.shape[0] > 0 and int(series.at_ms[0]) > self.seen_ms
        if not onward or bool((np.diff(series.at_ms) <= 0).any()) or bool(np.isnan(series.power_w).any()):
            for reading in series.readings():
                events += self.feed(reading)
            return events
        chunk = Chunk(series)
        stops = chunk.flips(self.gone_mv, self._zero_mw, self._gone)
        breaches = chunk.breaches(series, self.voltage, self.frequency, self.gone_mv)
        if breaches:
            stops = sorted({*stops, *(chunk.first_at_or_after(b.at_ms, 0) for b in breaches)})
        at, last, finder = 0, len(chunk), self.finder
        while at < last:
            if finder.open and finder.out_ms < 0 and self._step_wait == 0 and self.totals.at_ms >= 0:
                stop = self._skip(chunk, at, last, stops)
                if stop > at:
                    at = stop
                    continue
            events += self._silence_over(chunk.times[at])
            self.seen_ms = chunk.times[at]
            while breaches and breaches[0].at_ms <= self.seen_ms:
                events += self._breach(breaches.pop(0))
            events += self._step(*chunk.row(at))
            at += 1
        return events

    def _skip(self, chunk: Chunk, at: int, last: int, stops: list[int]) -> int:
        """Takes as many readings as only add to the sums; returns the index of the next that needs a look."""
        last = min(last, chunk.next_stop(at, stops), chunk.first_at_or_after(self._next_ms, at))
        if last <= at:
            return at
        stop = self.finder.skip(chunk.powers, at, last)
        if stop > at:
            chunk.add_to(self.totals, at, stop)
            self.seen_ms = self.totals.at_ms
            if not 0 < self._resolution_mw <= chunk.finest_mw:
                self._resolution(chunk.finest(at, stop))
            self._recent.extend(chunk.recent(max(at, stop - (self._recent.maxlen or 0)), stop))
        return stop

    def _step(self, at_ms: int, power_mw: int, volts_mv: int, amps_ma: int, counter_mwh: int) -> list[Event]:
        """One reading, later than all before. The only way in: arrays skip what would do nothing here."""
        events: list[Event] = []
        totals, finder = self.totals, self.finder
        if totals.at_ms >= 0:
            if at_ms - totals.at_ms > HOLD_MS:
                events += self._gap(at_ms)
            self._resolution(abs(power_mw - totals.power_mw))
        before_ms = totals.at_ms
        totals.add(at_ms, power_mw, volts_mv, counter_mwh)
        out_mw = finder.out_mw
        did = finder.step(at_ms, power_mw)
        if did == CHANGED:
            events += self._changed(before_ms)
        elif did == OUTSIDE:
            there = volts_mv != NO_VALUE
            volts_before = (
                (totals.volts_mv - volts_mv, totals.volts_n - 1) if there else (totals.volts_mv, totals.volts_n)
            )
            self._out = (totals.energy_mwms, *volts_before)
            self._level.before_ms = before_ms
        elif did == BLIP:
            events += self.tracker.blip(self._moment(), out_mw / 1000)
        events += self._supply_there(at_ms, volts_mv)
        if at_ms >= self._next_ms:
            events += self._check(at_ms)
        if volts_mv != NO_VALUE:
            self._recent.append((at_ms, power_mw, volts_mv, amps_ma))
            if self._step_wait:
                events += self._settle()
        self._next_ms = self._due_ms()
        return events

    # ------------------------------------------------------------------ levels

    def _moment(self) -> Moment:
        level, totals, finder = self._level, self.totals, self.finder
        level.at_ms = totals.at_ms
        level.power_w = totals.power_mw / 1000
        level.level_w = finder.level_mw / 1000
        level.start_ms = finder.start_ms
        level.n = finder.n
        level.energy_mwms = totals.energy_mwms
        level.peak_w = totals.peak_mw / 1000
        totals.peak_mw = 0
        volts_n = totals.volts_n - self._volts_start[1]
        level.volts = (totals.volts_mv - self._volts_start[0]) / volts_n / 1000 if volts_n else None
        if finder.beside_heater:
            level.volts = lately_v(self._recent, finder.start_ms, totals.at_ms) or level.volts
        level.resolution_w = self._resolution_mw / 1000
        return level

    def _changed(self, before_ms: int) -> list[Event]:
        totals, finder, level = self.totals, self.finder, self._level
        if finder.start_ms == totals.at_ms:
            level.before_ms = before_ms
            self._out = (totals.energy_mwms, totals.volts_mv, totals.volts_n)
        volts_n = self._out[2] - self._volts_start[1]
        level.from_volts = (self._out[1] - self._volts_start[0]) / volts_n / 1000 if volts_n else None
        if finder.fine and finder.from_mw >= FINE_FROM_MW:
            level.from_volts = lately_v(self._recent, level.start_ms, finder.start_ms - 1) or level.from_volts
        level.start_energy_mwms, self._volts_start = self._out[0], (self._out[1], self._out[2])
        level.from_w, level.from_n = finder.from_mw / 1000, finder.from_n
        level.from_last_w = finder.from_last_mw / 1000
        self._step_start()
        now = self._moment()
        charted = self.machine is not None and bool(self.machine.programmes)
        finder.fine = charted and (now.volts is not None or self._steps_tell)
        events = self.tracker.level(now)
        found = self._idling(now)
        self.told.heard(events)
        if self.told.due:
            events += self.told.standing(self.tracker, now, self.limits.at_standby_w(self.standby_w))
        return events + (self._breach(found) if found else [])

    def _gap(self, until_ms: int) -> list[Event]:
        if not self.finder.open:
            return []
        events = self.tracker.gap(self._moment(), until_ms)
        self.finder.close()
        self._step_wait = 0
        self._recent.clear()
        self._lost_ms = None
        return events

    def _resolution(self, difference_mw: int) -> None:
        if difference_mw and (not self._resolution_mw or difference_mw < self._resolution_mw):
            self._resolution_mw = difference_mw

    def _check(self, at_ms: int) -> list[Event]:
        events: list[Event] = []
        now = self._moment()
        if at_ms >= self.tracker.next_check_ms:
            events += self.tracker.check(now)
            self.told.heard(events)
        found = self._idling(now)
        found = found or self.standby.judge(at_ms, now.energy_mwms)
        if found:
            events += self._breach(found)
        if self._lost_ms is not None and not self._lost_told and at_ms >= self._lost_ms + self._lost_for_ms():
            self._lost_told = True
            events += self.tracker.supply_lost(now, self._lost_ms)
        return events

    def _idling(self, now: Moment) -> Breach | None:
        start_ms, start_mwms = now.start_ms, now.start_energy_mwms
        if self.tracker.idle_from_ms > start_ms:
            start_ms, start_mwms = self.tracker.idle_from_ms, now.energy_mwms
            start_mwms -= int(now.level_w * 1000) * (now.at_ms - start_ms)
        return self.standby.level(now.at_ms, start_ms, start_mwms, now.level_w, not self.tracker.in_cycle)

    def _due_ms(self) -> int:
        due = self.tracker.next_check_ms
        if (standby := self.standby.due_ms()) is not None:
            due = min(due, standby)
        if self._lost_ms is not None and not self._lost_told:
            due = min(due, self._lost_ms + self._lost_for_ms())
        return due

    # ------------------------------------------------------------------ supply

    def _lost_for_ms(self) -> int:
        return int(self.limits.power_lost_s * 1000)

    def _supply_there(self, at_ms: int, volts_mv: int) -> list[Event]:
        """Notes when the supply went away; without volts, 0 W says so where the machine's standby would show."""
        gone = volts_mv < self.gone_mv if volts_mv != NO_VALUE else self.totals.power_mw < self._zero_mw
        if gone == self._gone:
            return []
        self._gone = gone
        if gone:
            shows = volts_mv != NO_VALUE or self._resolution_mw <= 10 * self._zero_mw
            self._lost_ms, self._lost_told = at_ms if shows else None, False
            return []
        self._lost_ms, self.told.due = None, self._lost_told or self.told.due
        return list(self.findings.clear("power_lost", at_ms))

    def _step_start(self) -> None:
        """A switching step of several amperes has begun: remember voltage and current before it."""
        self._step_wait, self._step_before = 0, None
        finder = self.finder
        if abs(finder.level_mw - finder.from_mw) < self.limits.impedance_step_a * 150_000:
            return
        before = [r for r in self._recent if r[0] < finder.start_ms][-SETTLE_N:]
        if len(before) == SETTLE_N:
            self._step_before = (finder.start_ms, *mean_volts_amps(before))
            self._step_wait = SETTLE_N + 1

    def _settle(self) -> list[Event]:
        self._step_wait -= 1
        if self._step_wait or self._step_before is None or self.finder.out_ms >= 0:
            return []
        _, volts, amps = self._step_before
        after_v, after_a = mean_volts_amps(list(self._recent)[-SETTLE_N:])
        found = self.impedance.step(self.totals.at_ms, after_v - volts, after_a - amps)
        self._step_before = None
        return self._breach(found) if found else []

    def _breach(self, breach: Breach) -> list[Event]:
        return [*self.findings.breach(breach, self.tracker.cycle_key_ms)]

    # ------------------------------------------------------------------ silence, time

    def tick(self, at_ms: int) -> list[Event]:
        """It is ``at_ms`` and no reading has come since the last one."""
        silent_ms = int(self.limits.silent_s * 1000)
        if self.seen_ms < 0 or at_ms < self.seen_ms + silent_ms:
            return []
        events: list[Event] = []
        if "meter_silent" not in self.findings.open:
            since_ms, silent_s = self.seen_ms, self.limits.silent_s
            events += self._breach(
                Breach("meter_silent", since_ms + silent_ms, since_ms, silent_s, None, silent_s, "s")
            )
            events.append(StateChanged(since_ms + silent_ms, "silent", since_ms))
            self.told.due = True
        if at_ms - self.totals.at_ms - HOLD_MS > self.limits.resume_s * 1000:
            events += self._gap(at_ms)  # whatever ran is over; the readings to come need not be waited for
        return events

    def _silence_over(self, at_ms: int) -> list[Event]:
        if self.seen_ms < 0 or at_ms - self.seen_ms < self.limits.silent_s * 1000:
            return []
        events = self.tick(at_ms)
        silent_s = round((at_ms - self.seen_ms) / 1000, 1)
        return [*events, *self.findings.clear("meter_silent", at_ms, silent_s)]

    def _set_back(self, at_ms: int) -> bool:
        """Whether the clock has been set back for good; until then readings from the past are refused and counted."""
        self.refused += 1
        last_ms, n = self._back
        n = n + 1 if at_ms > last_ms else 1
        self._back = (at_ms, n)
        if n < BACK_N:
            return False
        fresh = Assessor(self.machine, self.limits, self.findings.causes)
        fresh.refused = self.refused
        fresh._resolution_mw = self._resolution_mw
        self.__dict__.update(fresh.__dict__)
        return True

    def finish(self) -> list[Event]:
        """The log has ended: what is open is reported as it stands."""
        return self.tracker.finish(self._moment()) if self.totals.at_ms >= 0 else []

    # ------------------------------------------------------------------ state

    def save(self) -> dict[str, Any]:
        """The whole state, JSON-able, for ``restore``."""
        level = self._level
        return {
            "tracker": self.tracker.save(),
            "findings": self.findings.save(),
            "finder": self.finder.save(),
            "totals": self.totals.save(),
            "voltage": self.voltage.save(),
            "frequency": self.frequency.save(),
            "impedance": self.impedance.save(),
            "standby": self.standby.save(),
            "level": [level.before_ms, level.start_energy_mwms, level.from_w],
            "plain": {name: getattr(self, name) for name in self._PLAIN},
            "recent": [list(r) for r in self._recent],
            "told": self.told.due,
        }

    _PLAIN = (
        "seen_ms", "refused", "_back", "_volts_start", "_out", "_gone", "_lost_ms", "_lost_told", "_resolution_mw",
        "_step_before", "_step_wait", "_next_ms",
    )  # fmt: skip

    @classmethod
    def restore(
        cls, machine: Machine | None, limits: Limits | None, causes: CauseTable | None, state: dict[str, Any]
    ) -> Assessor:
        """An assessor that goes on where ``save`` was called. Raises KeyError or TypeError on another form of state."""
        self = cls(machine, limits, causes)
        self.findings.load(state["findings"])
        self.tracker = restore_tracker(machine, self.limits, self.findings, state["tracker"])
        self.finder = PlateauFinder.restore(state["finder"])
        self.totals = Totals.restore(state["totals"])
        self.voltage.load(state["voltage"])
        self.frequency.load(state["frequency"])
        self.impedance.load(state["impedance"])
        self.standby.load(state["standby"])
        self._level.before_ms, self._level.start_energy_mwms, self._level.from_w = state["level"]
        self._level.start_ms = self.finder.start_ms
        for name in self._PLAIN:
            value = state["plain"][name]
            setattr(self, name, tuple(value) if isinstance(value, list) else value)
        self._recent.extend(tuple(r) for r in state["recent"])
        self.told.due = state["told"]
        return self
