"""One line's poll loop: every meter once per interval, on deadlines that do not drift, in a thread of its own.

It waits for nothing but the wire and its deadlines. A read that fails is a gap with its reason; the next tick is the
retry. Meters that answered last time are asked first, so that a dead one costs its neighbours nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

from loadbook.clock import Clock
from loadbook.meters.counters import CountingSink
from loadbook.meters.loop import LineLoop
from loadbook.meters.maps import Block, MeterMap, Registers
from loadbook.meters.modbus import ModbusWire, ReadError
from loadbook.meters.registers import WrongRegistersError, decode
from loadbook.meters.sunspec import NotFoundError, find

REOPEN_AFTER_TICKS = 10
"""A line on which nobody answers for this long is closed and opened again."""

TRY_AGAIN_S = 2.0
"""A meter that does not answer is asked at least this often, even where the line has no time to spare."""


class Wire(Protocol):
    """What a poll loop needs of a wire."""

    def open(self) -> None: ...
    def close(self) -> None: ...
    def ask(self, unit_id: int, block: Block) -> list[int]: ...


@dataclass(slots=True)
class PolledMeter:
    """A meter on a line: who it is, its map, and how it has fared."""

    id: str
    unit_id: int
    map: MeterMap
    registers: Registers | None = None
    failed: int = field(default=0)
    """Ticks without a reading in a row."""
    asked_s: float = field(default=0.0)

    def __post_init__(self) -> None:
        self.registers = self.map.registers

    def read(self, wire: Wire) -> dict[str, float]:
        """Values by quantity. Finds the registers first where the map has none yet. Raises ReadError."""
        if self.registers is None:
            self.registers = self._find(wire)
        words = [wire.ask(self.unit_id, block) for block in self.registers.blocks]
        try:
            values = decode(self.registers, words)
        except WrongRegistersError as bad:
            self.registers = self.map.registers
            raise ReadError("not_found", str(bad)) from None
        if not values:
            raise ReadError("no_value", "every value is marked as not measured")
        return values

    def _find(self, wire: Wire) -> Registers:
        assert self.map.sunspec is not None
        search = find(self.map.sunspec)
        try:
            block = next(search)
            while True:
                try:
                    words = wire.ask(self.unit_id, block)
                except ReadError as bad:
                    if bad.reason != "exception":
                        raise
                    block = search.send(None)
                else:
                    block = search.send(words)
        except StopIteration as found:
            registers: Registers = found.value
            return registers
        except NotFoundError as bad:
            raise ReadError("not_found", str(bad)) from None


class ModbusLine(LineLoop):
    """Polls the meters of one line until told to stop."""

    def __init__(
        self,
        line_id: str,
        *,
        wire: ModbusWire,
        meters: list[PolledMeter],
        sink: CountingSink,
        clock: Clock,
        interval_s: float,
        timeout_s: float,
    ) -> None:
        super().__init__(line_id, sink, clock)
        self._wire = wire
        self._meters = meters
        self._interval_s = interval_s
        self._timeout_s = timeout_s
        self._silent_ticks = 0

    def _run(self) -> None:
        due_s = self._clock.mono_s()
        try:
            while not self._clock.wait_until(due_s, self._stop):
                due_s = self._skip_missed(due_s)
                self.last_tick_s = self._clock.mono_s()
                self._tick(due_s + self._interval_s)
                due_s += self._interval_s
        finally:
            self._wire.close()

    def _skip_missed(self, due_s: float) -> float:
        """Ticks that passed while the last one was still at work are gaps. Returns the tick that is due now."""
        while due_s + self._interval_s <= self._clock.mono_s():
            for meter in self._meters:
                self.gap(meter.id, "overrun", "the tick before took longer than the interval")
            due_s += self._interval_s
        return due_s

    def _tick(self, end_s: float) -> None:
        try:
            self._wire.open()
        except ReadError as bad:
            for meter in self._meters:
                self.gap(meter.id, bad.reason, str(bad))
            return
        for place, meter in enumerate(sorted(self._meters, key=lambda m: m.failed)):
            if self._stop.is_set():
                return
            if place and meter.failed and not self._has_time_for(meter, end_s):
                self.gap(meter.id, "line_busy", "no time left on the line for a meter that did not answer before")
            else:
                meter.asked_s = self._clock.mono_s()
                self._read(meter)
        self._silent_ticks = self._silent_ticks + 1 if all(meter.failed for meter in self._meters) else 0
        if self._silent_ticks >= REOPEN_AFTER_TICKS:
            self._wire.close()  # an adapter may hang, or its path lead elsewhere by now; the next tick opens it anew
            self._silent_ticks = 0

    def _has_time_for(self, meter: PolledMeter, end_s: float) -> bool:
        """Whether a meter that did not answer may be asked before the next tick is due; once in a while it may at any
        price, or it would never be heard again."""
        now_s = self._clock.mono_s()
        return now_s + self._timeout_s * self._clock.speed <= end_s or now_s - meter.asked_s >= TRY_AGAIN_S

    def _read(self, meter: PolledMeter) -> None:
        try:
            values = meter.read(self._wire)
        except ReadError as bad:
            meter.failed += 1
            self.gap(meter.id, bad.reason, str(bad))
        else:
            meter.failed = 0
            self.put(meter.id, values)
