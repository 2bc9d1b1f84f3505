"""Simulated Modbus meters: a real pymodbus server that plays a log through a meter map, over a pseudo-terminal (RTU) or
TCP; keeps a journal of what it answered; misbehaves when told. For ``loadbook demo``, the tests and trying things out.
"""

from __future__ import annotations

import asyncio
import math
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from loadbook.clock import Clock
from loadbook.counter import advanced_wh
from loadbook.meters.faults import Faults, Pieces
from loadbook.meters.maps import MeterMap, Model, Registers, SunSpec
from loadbook.meters.pseudoline import PseudoLine
from loadbook.meters.registers import encode
from loadbook.meters.sunspec import END_MODEL, MARKER, resolve
from loadbook.reading import HOLD_MS, QUANTITIES, Series

EXPONENTS: dict[str, int] = {
    "voltage_v": -1,
    "current_a": -2,
    "frequency_hz": -2,
    "power_w": 0,
    "apparent_power_va": 0,
    "reactive_power_var": 0,
    "power_factor": -1,
    "energy_wh": 0,
}
"""Powers of ten a simulated SunSpec meter uses, fitted to a domestic machine on 16 bits."""
COMMON_MODEL_LENGTH = 66


class Player:
    """Plays a log from the instant it is made. A gap in the log, and its end unless ``loop``, is silence. With ``loop``
    it begins anew, and the meter's counter goes on: what a machine does again it is charged for again."""

    def __init__(self, series: Series, clock: Clock, *, loop: bool = False) -> None:
        self._at_ms = series.at_ms - series.at_ms[0]
        self._columns = {q.name: c for q in QUANTITIES if (c := series.column(q.name)) is not None}
        self._clock = clock
        self._loop = loop
        self._start_ms = clock.mono_ms()
        self._advance_wh = 0.0 if series.energy_wh is None else advanced_wh(series.at_ms, series.energy_wh) or 0.0

    @property
    def length_ms(self) -> int:
        """From the first row to the last."""
        return int(self._at_ms[-1])

    def stands(self) -> tuple[int, int] | None:
        """(the row that stands now, how often the log was played before); None while it is silent or over."""
        passed_ms, times = self._clock.mono_ms() - self._start_ms, 0
        if self._loop:
            times, passed_ms = divmod(passed_ms, self.length_ms + 1000)
        place = int(np.searchsorted(self._at_ms, passed_ms, side="right")) - 1
        return (place, times) if passed_ms - int(self._at_ms[place]) <= HOLD_MS else None

    def values(self, row: int, times: int = 0) -> dict[str, float]:
        """What the meter shows in that row, by quantity, after the log was played ``times`` before."""
        read = {name: float(column[row]) for name, column in self._columns.items()}
        if "energy_wh" in read and times:
            read["energy_wh"] += times * self._advance_wh
        return {name: value for name, value in read.items() if not math.isnan(value)}


@dataclass(slots=True)
class Answer:
    """One question answered: when, by whom, for which registers, with which row of the log. ``spoiled`` names what
    the line did to it on its way."""

    mono_ms: int
    unit_id: int
    function: int
    address: int
    count: int
    row: int | None
    values: dict[str, float]
    spoiled: str | None = None


@dataclass(slots=True)
class SimulatedMeter:
    """One meter: its unit id, its map, the log it plays. ``model`` picks a SunSpec map's model (default: its first)."""

    unit_id: int
    map: MeterMap
    player: Player
    model: int | None = None
    base: int = 40000
    registers: Registers = field(init=False)
    fixed: dict[tuple[int, int], int] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        if self.map.sunspec is not None:
            self._lay_out(self.map.sunspec)
        elif self.map.registers is not None:
            self.registers = self.map.registers
        else:
            raise ValueError(f"a {self.map.form} meter is not a Modbus meter")

    def _lay_out(self, spec: SunSpec) -> None:
        model = next(m for m in spec.models if self.model is None or self.model in m.ids)
        number = self.model or model.ids[0]
        words = [*MARKER, 1, COMMON_MODEL_LENGTH, *[0] * COMMON_MODEL_LENGTH]
        address = self.base + len(words)
        words += [number, model.length, *_unmeasured(model), END_MODEL, 0]
        self.fixed = {(spec.function, self.base + place): word for place, word in enumerate(words)}
        self.registers = resolve(spec, model, address, number, model.length)

    def cells(self, values: dict[str, float]) -> dict[tuple[int, int], int]:
        """The words of every register, by (function, address)."""
        return self.fixed | encode(self.registers, values, EXPONENTS)

    def device(self, line: SimulatedLine) -> SimDevice:
        """As pymodbus wants it; ``line`` is told of every question."""
        everything = self.cells({})
        for block in self.registers.blocks:
            for place in range(block.count):
                everything.setdefault((block.function, block.address + place), 0)
        unused = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]

        async def answer(*question: Any) -> ExcCodes | None:
            function, start, address, count, current, _ = question
            stands = self.player.stands()
            row, values = (None, {}) if stands is None else (stands[0], self.player.values(*stands))
            for (code, place), word in self.cells(values).items():
                if code == function:
                    current[place - start] = word
            line.asked(Answer(line.clock.mono_ms(), self.unit_id, function, address, count, row, values))
            return None

        return SimDevice(
            self.unit_id, simdata=(unused, list(unused), _runs(everything, 3), _runs(everything, 4)), action=answer
        )


def _unmeasured(model: Model) -> list[int]:
    """A model's registers before anything is written: marked as not measured where 16 bits are, else nought."""
    return [0x8000 if "int16" in {p.type for p in model.points.values()} else 0] * model.length


def _runs(cells: dict[tuple[int, int], int], function: int) -> list[SimData]:
    """Neighbouring registers together, as pymodbus' simulator wants them."""
    runs: list[tuple[int, list[int]]] = []
    for place in sorted(address for code, address in cells if code == function):
        if runs and place == runs[-1][0] + len(runs[-1][1]):
            runs[-1][1].append(cells[function, place])
        else:
            runs.append((place, [cells[function, place]]))
    if not runs:
        runs = [(65000, [0])]
    return [SimData(address, values=list(words), datatype=DataType.REGISTERS) for address, words in runs]


class SimulatedLine:
    """Meters on one line. Start it, hand ``port`` or ``address`` to the settings, stop it."""

    def __init__(
        self,
        meters: list[SimulatedMeter],
        clock: Clock,
        *,
        link: Path | None = None,
        baud_bd: int = 9600,
        char_bits: int = 11,
        paced: bool = False,
        turnaround_s: float = 0.0,
        journal_length: int = 1_000_000,
    ) -> None:
        """``link``: the path a serial line gets; without one the line is TCP on a free loopback port. ``paced``: bytes
        take the time of the line's speed."""
        self.meters = {meter.unit_id: meter for meter in meters}
        self.journal: deque[Answer] = deque(maxlen=journal_length)
        self.faults = Faults()
        self.clock = clock
        self._link = link
        self._baud_bd = baud_bd
        self._char_s = char_bits / baud_bd if paced else 0.0
        self._turnaround_s = turnaround_s
        self._on_its_way: dict[int, deque[Answer]] = {unit: deque() for unit in self.meters}
        self._loop = asyncio.new_event_loop()
        self._server: ModbusSerialServer | ModbusTcpServer | None = None
        self._thread = threading.Thread(target=self._run, name="simulated-line", daemon=True)
        self._started = threading.Event()
        self._failed: BaseException | None = None
        self.line: PseudoLine | None = None
        self.address: tuple[str, int] = ("", 0)

    @property
    def port(self) -> str:
        """The path of a serial line."""
        return str(self.line.link) if self.line else ""

    def start(self) -> SimulatedLine:
        """Begin to answer."""
        if self._link is not None:
            self.line = PseudoLine(
                self._link,
                char_s=self._char_s,
                turnaround_s=self._turnaround_s,
                on_request=self._request,
                on_answer=lambda data: self._let_out(data[0], data[1], data, self.faults.spoil),
            )
        self._thread.start()
        self._started.wait(10)
        if self._failed is not None:
            raise RuntimeError(f"the simulated line did not start: {self._failed}")
        return self

    def stop(self) -> None:
        """Stop answering and take the port away."""
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join(5)
        if self.line is not None:
            self.line.close()

    def asked(self, answer: Answer) -> None:
        """A meter is about to answer (called by its device); without a row it stays silent."""
        self._on_its_way[answer.unit_id].append(answer)
        if answer.row is not None:
            self.journal.append(answer)

    def _let_out(
        self, unit_id: int, function: int, data: bytes, spoil: Callable[[bytes], tuple[str | None, Pieces]]
    ) -> Pieces:
        """An answer leaves its meter: what the line makes of it."""
        waiting = self._on_its_way.get(unit_id)
        answer = None if function & 0x80 or not waiting else waiting.popleft()
        if answer is not None and answer.row is None:
            return []
        kind, pieces = spoil(data)
        if answer is not None:
            answer.spoiled = kind
        return pieces

    def _request(self, data: bytes) -> list[tuple[float, bytes]]:
        """Nobody answers for a unit that is not there."""
        return [(0.0, data)] if data and data[0] in self.meters else []

    def _tcp_packet(self, sending: bool, data: bytes) -> bytes:
        if not sending or len(data) < 9:
            return data
        pieces = self._let_out(data[6], data[7], data, self.faults.spoil_tcp)
        now = b"".join(piece for delay_s, piece in pieces if delay_s == 0)
        for delay_s, piece in pieces:
            if delay_s:
                self._loop.call_later(delay_s, self._send_late, piece)
        return now

    def _send_late(self, data: bytes) -> None:
        assert self._server is not None
        for connection in list(self._server.active_connections.values()):
            connection.send(data)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_until_complete(self._serve())
        except BaseException as bad:
            self._failed = bad
            self._started.set()
            return
        self._started.set()
        try:
            self._loop.run_forever()
        finally:
            if self._server is not None:
                self._loop.run_until_complete(self._server.shutdown())  # type: ignore[no-untyped-call]
            self._loop.run_until_complete(asyncio.sleep(0))
            self._loop.close()

    async def _serve(self) -> None:
        devices = [meter.device(self) for meter in self.meters.values()]
        if self.line is not None:
            self._server = ModbusSerialServer(
                devices, framer=FramerType.RTU, port=self.line.inner_path, baudrate=self._baud_bd
            )
        else:
            self._server = ModbusTcpServer(devices, address=("127.0.0.1", 0), trace_packet=self._tcp_packet)
        await self._server.serve_forever(background=True)
        if self.line is None:
            listener: Any = self._server.transport
            self.address = listener.sockets[0].getsockname()[:2]
