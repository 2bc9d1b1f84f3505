"""What the whole costs at one reading a second: `python tests/bench/whole.py [--meters 2 50] [--minutes 3]`.

Simulated Modbus TCP meters answer in this process; poller, embedded broker, recorder and dashboard run as
`loadbook run`, and only that process is measured: CPU as a share of one core, memory, bytes of the store per reading,
readings that did not come.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from contextlib import closing
from pathlib import Path

import psutil
from loadbook.clock import Clock
from loadbook.files import find_log, find_machine, load_map, share
from loadbook.logs import read_log
from loadbook.meters.simulated import Player, SimulatedLine, SimulatedMeter
from loadbook.services.stage import free_port
from loadbook.store.sqlite_readings import SqliteReader

PER_LINE = 10
"""Meters on one Modbus TCP address: a gateway with a line behind it."""


def settings(count: int, lines: list[SimulatedLine], folder: Path, port: int) -> str:
    text = (find_machine(Path("quay-washer-1"))).read_text(encoding="utf-8")
    names = []
    for number in range(count):
        name = f"machine-{number}.toml"
        (folder / name).write_text(text.replace('id = "quay-washer-1"', f'id = "washer-{number}"', 1), encoding="utf-8")
        names.append(f'"{name}"')
    parts = [
        f"""machines = [{", ".join(names)}]
[broker]
port = {free_port(None, 0)}
[store]
folder = "data"
[poller]
trust_clock = true
[dashboard]
port = {port}
"""
    ]
    number = 0
    for place, line in enumerate(lines):
        parts.append(f'[[line]]\nid = "line-{place}"\nkind = "modbus_tcp"\nhost = "{line.address[0]}"\n'
                     f"tcp_port = {line.address[1]}\n")  # fmt: skip
        for unit in line.meters:
            parts.append(f'[[line.meter]]\nid = "meter-{number}"\nmap = "float32-big-endian"\nunit_id = {unit}\n'
                         f'machine = "washer-{number}"\n')  # fmt: skip
            number += 1
    return "".join(parts)


def meters_of(count: int, clock: Clock) -> list[SimulatedLine]:
    """Meters in front of washers, each somewhere else in its programme, as machines are."""
    series = read_log(find_log(Path("washer-healthy"))).series
    lines = []
    for first in range(0, count, PER_LINE):
        meters = []
        for unit in range(1, min(PER_LINE, count - first) + 1):
            start = (first + unit) * 71 % (len(series) // 2)
            player = Player(series.slice(start, len(series)), clock, loop=True)
            meters.append(SimulatedMeter(unit, load_map("float32-big-endian", share("config")), player))
        lines.append(SimulatedLine(meters, clock).start())
    return lines


def measure(count: int, minutes: float) -> None:
    """One row of the table."""
    clock = Clock()
    lines = meters_of(count, clock)
    with tempfile.TemporaryDirectory() as name:
        folder, port = Path(name), free_port(None, 0)
        (folder / "loadbook.toml").write_text(settings(count, lines, folder, port), encoding="utf-8")
        log = (folder / "log").open("w")
        begun = time.monotonic()
        process = subprocess.Popen(
            [sys.executable, "-m", "loadbook", "run", "--config", folder / "loadbook.toml"], stdout=log, stderr=log
        )
        try:
            while True:
                try:
                    urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=2).read()
                    break
                except OSError:
                    if process.poll() is not None or time.monotonic() - begun > 60:
                        sys.exit((folder / "log").read_text())
                    time.sleep(0.05)
            up_s = time.monotonic() - begun
            time.sleep(10)
            watched = psutil.Process(process.pid)
            family = [watched, *watched.children(recursive=True)]
            cpu0, at0, asked0 = sum(sum(p.cpu_times()[:2]) for p in family), time.monotonic(), answers(lines)
            time.sleep(minutes * 60)
            cpu = sum(sum(p.cpu_times()[:2]) for p in family) - cpu0
            passed, asked = time.monotonic() - at0, answers(lines) - asked0
            rss = sum(p.memory_info().rss for p in family) / 1e6
            written = sum(p.io_counters().write_bytes for p in family)
            process.send_signal(signal.SIGINT)
            process.wait(60)
            with closing(SqliteReader.open(folder / "data")) as reader:
                stored = sum(len(reader.series(meter, 0, 2**53)) for meter in reader.meters())
            size = sum(p.stat().st_size for p in (folder / "data").rglob("readings*") if p.is_file())
            all_asked = answers(lines)
        finally:
            if process.poll() is None:
                process.kill()
            for line in lines:
                line.stop()
    hour_mb = written / 1e6 / (time.monotonic() - begun) * 3600
    print(
        f"| {count} | {up_s:.1f} s | {100 * cpu / passed:.1f} % | {rss:.0f} MB | {asked / passed / count:.3f} "
        f"| {all_asked - stored} of {all_asked} | {size / max(stored, 1):.0f} | {hour_mb:.0f} MB |"
    )


def answers(lines: list[SimulatedLine]) -> int:
    return sum(len(line.journal) for line in lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--meters", type=int, nargs="+", default=[2, 50])
    parser.add_argument("--minutes", type=float, default=3)
    args = parser.parse_args()
    print(f"{os.cpu_count()} cores, {args.minutes:g} minutes each\n")
    titles = ("meters", "page after", "CPU of one core", "memory", "readings/s each", "not stored", "bytes/reading",
              "written an hour")  # fmt: skip
    print(f"| {' | '.join(titles)} |\n|{' --- |' * len(titles)}")
    for count in args.meters:
        measure(count, args.minutes)


if __name__ == "__main__":
    main()
