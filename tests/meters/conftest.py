"""Helps of the meters' tests: a sink that remembers, a small log, a line ready to poll."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from loadbook.clock import Clock
from loadbook.files import load_map
from loadbook.meters.counters import CountingSink
from loadbook.meters.line import ModbusLine, PolledMeter
from loadbook.meters.modbus import ModbusWire
from loadbook.meters.simulated import Player, SimulatedLine
from loadbook.reading import Reading, Series
from loadbook.settings import Line

SHIPPED = ("sunspec", "float32-big-endian", "scaled16-low-word-energy")


class Memory:
    """A sink that keeps everything, in order."""

    def __init__(self) -> None:
        self.readings: list[tuple[str, Reading, int]] = []
        self.gaps: list[tuple[str, str, int]] = []
        self._lock = threading.Lock()

    def put(self, meter_id: str, reading: Reading, mono_ms: int) -> None:
        with self._lock:
            self.readings.append((meter_id, reading, mono_ms))

    def gap(self, meter_id: str, at_ms: int, mono_ms: int, reason: str) -> None:
        with self._lock:
            self.gaps.append((meter_id, reason, mono_ms))

    def faults(self) -> list[tuple[str, str]]:
        """(meter, reason) of every gap the meters or the wire caused; a busy test machine makes overruns."""
        return [(m, reason) for m, reason, _ in self.gaps if reason not in ("overrun", "line_busy")]

    def of(self, meter_id: str) -> list[Reading]:
        return [r for m, r, _ in self.readings if m == meter_id]


def wait_for(what: Callable[[], object], timeout_s: float = 30.0) -> None:
    """Until ``what()`` is true; a generous time-out, for a loaded machine."""
    end_s = time.monotonic() + timeout_s
    while not what():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.005)


def small_log(rows: int = 600, step_ms: int = 1000) -> Series:
    """A log whose every row has a power of its own, so that a reading can be traced to its row."""
    count = np.arange(rows)
    power_w = 100.0 + count
    voltage_v = np.full(rows, 230.0)
    return Series(
        at_ms=(count * step_ms).astype(np.int64),
        power_w=power_w,
        voltage_v=voltage_v,
        current_a=np.round(power_w / 230.0, 3),
        frequency_hz=np.full(rows, 50.0),
        power_factor=np.full(rows, 1.0),
        energy_wh=1000.0 + count,
    )


def player(clock: Clock | None = None, series: Series | None = None) -> Player:
    return Player(series or small_log(), clock or Clock())


def settings_line(line: SimulatedLine, units: tuple[int, ...], timeout_s: float) -> Line:
    kind = (
        {"kind": "modbus_rtu", "port": line.port}
        if line.line
        else {"kind": "modbus_tcp", "host": line.address[0], "tcp_port": line.address[1]}
    )
    meters = [{"id": f"m{unit}", "map": "any", "unit_id": unit} for unit in units]
    return Line.model_validate({"id": "l1", "timeout_s": timeout_s, "meter": meters, **kind})


def polling(
    line: SimulatedLine, maps: dict[int, str], *, interval_s: float = 0.05, timeout_s: float = 2.0
) -> tuple[ModbusLine, Memory, CountingSink]:
    """A poll loop over the line, not started."""
    memory = Memory()
    sink = CountingSink({f"m{unit}": "l1" for unit in maps}, memory)
    meters = [PolledMeter(f"m{unit}", unit, load_map(name, Path())) for unit, name in maps.items()]
    wire = ModbusWire(settings_line(line, tuple(maps), timeout_s))
    loop = ModbusLine(
        "l1", wire=wire, meters=meters, sink=sink, clock=Clock(), interval_s=interval_s, timeout_s=timeout_s
    )
    return loop, memory, sink
