"""How much of what the wire allows is read: readings a second over a paced pseudo-terminal, beside the line's limit.

    nice -n 10 .venv/bin/python tests/bench/line.py [--seconds 20]

The pseudo-terminal takes the time of the bytes; the simulated meter pauses 5 ms and the silence of 3.5 characters
before it answers. The limit is the line's budget (request, answer, pause, both silences).
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np
from loadbook.clock import Clock
from loadbook.meters.budget import exchange_s, silence_s
from loadbook.meters.maps import MeterMap, parse_map
from loadbook.meters.modbus import ModbusWire
from loadbook.meters.simulated import Player, SimulatedLine, SimulatedMeter
from loadbook.reading import Series
from loadbook.settings import Line

PAUSE_S = 0.005
CASES = ((9600, 2), (9600, 16), (9600, 53), (19200, 16), (38400, 16), (115200, 16), (115200, 107))


def map_of(count: int) -> MeterMap:
    return parse_map(
        '[map]\ntitle = "b"\nsource = "b"\n[registers]\n[[registers.block]]\n'
        f"function = 4\naddress = 0\ncount = {count}\n"
        '[registers.quantity]\npower_w = { address = 0, type = "float32", unit = "W" }\n',
        "bench",
    )


def measure(baud_bd: int, count: int, seconds: float, link: Path) -> tuple[float, float, int]:
    """Readings a second reached, the limit, and how many failed."""
    meters = [{"id": "m", "map": "any"}]
    given = {"id": "l", "kind": "modbus_rtu", "port": str(link), "baud_bd": baud_bd, "turnaround_s": PAUSE_S}
    line = Line.model_validate(given | {"meter": meters})
    clock = Clock()
    log = Series(at_ms=np.arange(10_000) * 1000, power_w=np.full(10_000, 100.0))
    simulated = SimulatedLine(
        [SimulatedMeter(1, map_of(count), Player(log, clock))],
        clock,
        link=link,
        baud_bd=baud_bd,
        paced=True,
        turnaround_s=PAUSE_S + silence_s(line),
    ).start()
    wire = ModbusWire(line)
    block = map_of(count).registers.blocks[0]
    good = bad = 0
    try:
        wire.ask(1, block)
        began_s = time.monotonic()
        while time.monotonic() - began_s < seconds:
            try:
                wire.ask(1, block)
            except Exception:
                bad += 1
            else:
                good += 1
        took_s = time.monotonic() - began_s
    finally:
        wire.close()
        simulated.stop()
    return good / took_s, 1 / exchange_s(line, count), bad


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    args = parser.parse_args()
    print(f"{'speed':>8} {'registers':>9} {'limit/s':>8} {'read/s':>8} {'share':>6} {'failed':>6}")
    with tempfile.TemporaryDirectory() as folder:
        for baud_bd, count in CASES:
            reached, limit, bad = measure(baud_bd, count, args.seconds, Path(folder) / "port")
            print(f"{baud_bd:>8} {count:>9} {limit:>8.2f} {reached:>8.2f} {reached / limit:>6.1%} {bad:>6}", flush=True)


if __name__ == "__main__":
    main()
