"""How punctual the poll loop is: how late each tick begins, and when its reading is in, over some minutes.

    .venv/bin/python tests/bench/tick.py [--minutes 5] [--meters 2]

Half of the meters sit on a pseudo-terminal paced to 115,200 Bd, half on Modbus TCP; every second, as in life.
"""

from __future__ import annotations

import argparse
import itertools
import tempfile
import time
from pathlib import Path

import numpy as np
from loadbook.clock import Clock
from loadbook.files import load_map
from loadbook.meters.counters import CountingSink
from loadbook.meters.line import ModbusLine, PolledMeter
from loadbook.meters.modbus import ModbusWire
from loadbook.meters.simulated import Player, SimulatedLine, SimulatedMeter
from loadbook.reading import Reading, Series
from loadbook.settings import Line

MAP = "float32-big-endian"


class TimedLine(ModbusLine):
    """Notes how late every tick begins."""

    def _tick(self, end_s: float) -> None:
        self.late_s.append(self._clock.mono_s() - (end_s - self._interval_s))
        super()._tick(end_s)

    late_s: list[float]


class Arrivals:
    """A sink that notes when readings come, and counts gaps."""

    def __init__(self) -> None:
        self.at_ms: dict[str, list[int]] = {}
        self.gaps = 0

    def put(self, meter_id: str, reading: Reading, mono_ms: int) -> None:
        self.at_ms.setdefault(meter_id, []).append(mono_ms)

    def gap(self, meter_id: str, at_ms: int, mono_ms: int, reason: str) -> None:
        self.gaps += 1


def spread(name: str, values_ms: list[float]) -> None:
    found = np.asarray(values_ms)
    p50, p99 = np.percentile(found, (50, 99))
    print(f"{name:34s} p50 {p50:7.2f} ms   p99 {p99:7.2f} ms   worst {found.max():7.2f} ms   of {len(found)}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--meters", type=int, default=2)
    args = parser.parse_args()
    clock, arrivals = Clock(), Arrivals()
    log = Series(at_ms=np.arange(100_000) * 1000, power_w=np.full(100_000, 100.0))
    halves = (args.meters - args.meters // 2, args.meters // 2)
    lines: list[TimedLine] = []
    simulated: list[SimulatedLine] = []
    with tempfile.TemporaryDirectory() as folder:
        for place, count in enumerate(halves):
            if not count:
                continue
            units = range(1, count + 1)
            link = Path(folder) / "port" if place == 0 else None
            meters = [SimulatedMeter(unit, load_map(MAP, Path()), Player(log, clock)) for unit in units]
            one = SimulatedLine(meters, clock, link=link, baud_bd=115_200, paced=True).start()
            simulated.append(one)
            given = {"id": f"l{place}", "meter": [{"id": f"m{place}-{u}", "map": MAP, "unit_id": u} for u in units]}
            given |= (
                {"kind": "modbus_rtu", "port": one.port, "baud_bd": 115_200}
                if link
                else {"kind": "modbus_tcp", "host": one.address[0], "tcp_port": one.address[1]}
            )
            line = Line.model_validate(given)
            lines.append(
                TimedLine(
                    line.id,
                    wire=ModbusWire(line),
                    meters=[PolledMeter(m.id, m.unit_id, load_map(MAP, Path())) for m in line.meters],
                    sink=CountingSink({m.id: line.id for m in line.meters}, arrivals),
                    clock=clock,
                    interval_s=1.0,
                    timeout_s=0.3,
                )
            )
            lines[-1].late_s = []
        for line_loop in lines:
            line_loop.start()
        time.sleep(args.minutes * 60)
        for line_loop in lines:
            line_loop.stop()
        for line_loop in lines:
            line_loop.join(5)
        for one in simulated:
            one.stop()
    for line_loop in lines:
        spread(f"line {line_loop.id}: a tick begins late by", [s * 1000 for s in line_loop.late_s])
    steps = [abs(b - a - 1000) for times in arrivals.at_ms.values() for a, b in itertools.pairwise(times)]
    spread("readings: off one second by", steps)
    drift = max(abs(times[-1] - times[0] - 1000 * (len(times) - 1)) for times in arrivals.at_ms.values())
    print(f"drift over the whole run {drift} ms; gaps {arrivals.gaps}")


if __name__ == "__main__":
    main()
