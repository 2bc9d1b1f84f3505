"""Reading a meter once for a person: its values, how long it took, whether they make sense, and, where they do not,
which other word order, function code or address would. And asking every unit id whether somebody is there.
"""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import get_args

from loadbook.clock import Clock
from loadbook.errors import StartError
from loadbook.meters.counters import CountingSink
from loadbook.meters.frames import EXCEPTIONS
from loadbook.meters.line import PolledMeter
from loadbook.meters.lines import build_line
from loadbook.meters.maps import Block, MeterMap, Registers, WordOrder
from loadbook.meters.modbus import ModbusWire, ReadError
from loadbook.meters.registers import WrongRegistersError, decode
from loadbook.meters.sense import Doubt, convinces, doubts
from loadbook.meters.telegram_line import interval_of
from loadbook.reading import QUANTITIES, Reading
from loadbook.settings import Line

LOOKS = 3
"""Registers are not all of one instant: a doubt about power is looked at again before it counts."""


@dataclass(slots=True)
class Trial:
    """What came of it. ``exchange_s`` is None for a meter that sends by itself."""

    values: dict[str, float]
    doubts: list[Doubt]
    exchange_s: float | None = None
    found: str = ""
    """What the search for the registers came to, where the map searches."""
    better: list[tuple[str, dict[str, float]]] = field(default_factory=list)
    """What would make sense instead: in words, and its values."""
    echoes: bool = False


def try_modbus(line: Line, unit_id: int, meter_map: MeterMap) -> Trial:
    """Read a Modbus meter. Raises StartError with one line where nothing can be read."""
    wire = ModbusWire(line)
    meter = PolledMeter("meter", unit_id, meter_map)
    try:
        trial = _look(wire, meter)
        if trial.doubts and meter_map.registers is not None:
            trial.better = list(_otherwise(wire, unit_id, meter_map.registers))
        trial.echoes = wire.echoes
        return trial
    except ReadError as bad:
        hint = ""
        if bad.reason == "exception" and meter_map.registers is not None:
            hint = "".join(f"; but {words} makes sense" for words, _ in _otherwise(wire, unit_id, meter_map.registers))
        raise StartError(f"unit {unit_id} on {where(line)}: {bad}{hint}{_advice(bad.reason)}") from None
    finally:
        wire.close()


def _advice(reason: str) -> str:
    return {
        "no_answer": "; check A and B, the unit id, baud_bd and parity, or look for it with: loadbook meter scan",
        "crc": "; check parity, termination and the cable's length",
        "garbage": "; check baud_bd and parity",
    }.get(reason, "")


def where(line: Line) -> str:
    """The line in words."""
    if line.kind == "modbus_tcp":
        return f"{line.host}:{line.tcp_port}"
    return f"{line.port} ({line.baud_bd} Bd, {line.data_bits}{line.parity}{line.stop_bits})"


def _look(wire: ModbusWire, meter: PolledMeter) -> Trial:
    values = meter.read(wire)
    for look in range(LOOKS):
        began_s = time.monotonic()
        values = meter.read(wire)
        trial = Trial(values, doubts(values), time.monotonic() - began_s)
        if not trial.doubts or look == LOOKS - 1:
            break
        time.sleep(0.3)
    if meter.map.sunspec is not None and meter.registers is not None:
        trial.found = f"model {meter.registers.expected[0].value} at register {meter.registers.expected[0].address}"
    return trial


def _otherwise(wire: ModbusWire, unit_id: int, registers: Registers) -> Iterator[tuple[str, dict[str, float]]]:
    """Other readings of the same map that make sense, the nearest first; at most one for each address and function."""
    functions = [registers.blocks[0].function, 7 - registers.blocks[0].function]
    for function, shift in itertools.product(functions, (0, -1, 1)):
        moved = _moved(registers, function, shift) if (function, shift) != (functions[0], 0) else registers
        if moved is None:
            continue
        try:
            words = [wire.ask(unit_id, block) for block in moved.blocks]
        except ReadError:
            continue
        for order in get_args(WordOrder):
            turned = _turned(moved, order)
            try:
                values = decode(turned, words)
            except WrongRegistersError:
                continue
            if convinces(values):
                yield _in_words(function if function != functions[0] else None, shift, order), values
                break


def _in_words(function: int | None, shift: int, order: str) -> str:
    parts = [f'word_order = "{order}"']
    if shift:
        parts.append(f"addresses {'one higher' if shift > 0 else 'one lower'}")
    if function is not None:
        parts.append(f"function = {function}")
    return ", ".join(parts)


def _moved(registers: Registers, function: int, shift: int) -> Registers | None:
    """The same map at other addresses, with one function code; None where it does not fit."""
    raw = registers.model_dump(by_alias=True)
    for block in raw["block"]:
        block["function"] = function
        block["address"] += shift
    for register in raw["quantity"].values():
        register["function"] = function
        register["address"] += shift
    if any(block["address"] < 0 or block["address"] + block["count"] > 65536 for block in raw["block"]):
        return None
    return Registers.model_validate(raw)


def _turned(registers: Registers, order: str) -> Registers:
    raw = registers.model_dump(by_alias=True)
    raw["word_order"] = order
    for register in raw["quantity"].values():
        register["word_order"] = None
    return Registers.model_validate(raw)


class _First:
    """A sink that keeps the first reading, and the last reason until then."""

    def __init__(self) -> None:
        self.reading: Reading | None = None
        self.reason = "no_answer"
        self.there = threading.Event()

    def put(self, meter_id: str, reading: Reading, mono_ms: int) -> None:
        if self.reading is None:
            self.reading = reading
            self.there.set()

    def gap(self, meter_id: str, at_ms: int, mono_ms: int, reason: str) -> None:
        self.reason = reason


def try_telegram(line: Line, meter_map: MeterMap) -> Trial:
    """Wait for one telegram, or ask for it. Raises StartError with one line where none comes."""
    first = _First()
    meter = line.meters[0]
    sink = CountingSink({meter.id: line.id}, first)
    wait_s = 4 * interval_of(meter_map) + 5
    loop = build_line(line.model_copy(update={"meters": (meter,)}), [meter_map], 1.0, sink, Clock())
    loop.start()
    came = first.there.wait(wait_s)
    loop.stop()
    loop.join(5)
    if not came or first.reading is None:
        detail = sink.snapshot()[meter.id]["detail"]
        raise StartError(f"{where(line)}: no reading in {wait_s:g} s: {detail or first.reason}{_advice(first.reason)}")
    values = {q.name: v for q in QUANTITIES if (v := getattr(first.reading, q.name)) is not None}
    return Trial(values, doubts(values))


@dataclass(frozen=True, slots=True)
class Heard:
    """A unit id that answered: how, and which of the maps make sense of it."""

    unit_id: int
    how: str
    maps: tuple[str, ...]


def scan(
    line: Line, units: range, maps: dict[str, MeterMap], tell: Callable[[int], None] = lambda unit: None
) -> Iterator[Heard]:
    """Ask each unit id for two registers; any answer, a refusal too, means somebody is there. ``tell`` hears which is
    being asked. Raises StartError where the port cannot be opened."""
    wire = ModbusWire(line)
    try:
        for unit in units:
            tell(unit)
            how = _knock(wire, unit, line)
            if how is None:
                continue
            fitting = []
            for name, meter_map in maps.items():
                try:
                    values = PolledMeter(name, unit, meter_map).read(wire)
                except ReadError:
                    continue
                if convinces(values):
                    fitting.append(name)
            yield Heard(unit, how, tuple(fitting))
    finally:
        wire.close()


def _knock(wire: ModbusWire, unit: int, line: Line) -> str | None:
    try:
        wire.ask(unit, Block(function=4, address=0, count=2))
    except ReadError as bad:
        if bad.reason == "port_gone":
            raise StartError(f"{where(line)}: {bad}") from None
        if bad.reason == "no_answer" or (line.kind == "modbus_tcp" and _no_such_target(str(bad))):
            return None
        return "refuses the question" if bad.reason == "exception" else f"answers damaged ({bad.reason})"
    return "answers"


def _no_such_target(detail: str) -> bool:
    """A gateway says by exception 10 or 11 that nobody is behind it."""
    return any(detail.endswith(EXCEPTIONS[code]) for code in (10, 11))
