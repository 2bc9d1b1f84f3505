"""Many meters at one reading a second through a real mosquitto into a real store: what is lost, and what it costs.

    nice -n 5 python -m tests.bench.load --meters 200 --minutes 10 --store line_protocol

``line_protocol`` writes both stores at once (the board's SQLite file first, then victoria-metrics), so one run compares
them on the same readings. CPU is in per cent of one core, memory is resident (proportional share where the kernel
says it).
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np
import psutil
from loadbook.clock import Clock
from loadbook.files import load_map, load_settings
from loadbook.meters.simulated import Player, SimulatedLine, SimulatedMeter
from loadbook.reading import Reading, Series
from loadbook.settings_text import settings_file
from loadbook.store.server import Server
from loadbook.store.sqlite_readings import SqliteReader
from loadbook.transport.segments import Segments

from tests.chain.site import Service, until
from tests.ports import free_port
from tests.store.metrics_server import MetricsServer

MAP = "float32-big-endian"
PER_LINE = 20
FAR = 1 << 53


def log_of(seed: int, rows: int = 7200) -> Series:
    """An invented appliance: levels that change every few minutes, with a little noise on everything."""
    rng = np.random.default_rng(seed)
    level = np.repeat(rng.choice([1.2, 60.0, 140.0, 2000.0], rows // 120 + 1), 120)[:rows]
    power = np.round(level + rng.normal(0, 0.5 + level / 400, rows), 1)
    volts = np.round(230 + np.cumsum(rng.normal(0, 0.05, rows)), 1)
    energy = np.round(np.cumsum(np.maximum(power, 0)) / 3600, 1)
    return Series(
        at_ms=np.arange(rows, dtype=np.int64) * 1000,
        power_w=np.maximum(power, 0),
        voltage_v=volts,
        current_a=np.round(np.maximum(power, 0) / volts, 3),
        frequency_hz=np.round(50 + rng.normal(0, 0.02, rows), 2),
        power_factor=np.full(rows, 0.98),
        energy_wh=energy,
    )


def write_settings(folder: Path, lines: list[SimulatedLine], meters: int, chosen: dict[str, str]) -> Path:
    text = settings_file(
        {
            "site.name": '"quay-street"',
            "store.folder": json.dumps(str(folder / "data")),
            "broker.host": '"127.0.0.1"',
            "broker.port": str(free_port()),
            "poller.trust_clock": "true",
            **chosen,
        }
    )
    for i, line in enumerate(lines):
        text += f'\n[[line]]\nid = "line-{i}"\nkind = "modbus_tcp"\nhost = "127.0.0.1"\ntcp_port = {line.address[1]}\n'
        text += "timeout_s = 0.9\n"
        for unit in line.meters:
            text += f'\n[[line.meter]]\nid = "m{i}-{unit}"\nmap = "{MAP}"\nunit_id = {unit}\n'
    path = folder / "loadbook.toml"
    path.write_text(text, encoding="utf-8")
    return path


def size_of(folder: Path) -> int:
    return sum(p.stat().st_size for p in folder.rglob("*") if p.is_file())


def run(folder: Path, meters: int, minutes: float, store: str) -> dict[str, object]:
    clock = Clock()
    meter_map = load_map(MAP, Path())
    lines = []
    for first in range(0, meters, PER_LINE):
        units = [
            SimulatedMeter(u + 1, meter_map, Player(log_of(first + u), clock, loop=True))
            for u in range(min(PER_LINE, meters - first))
        ]
        lines.append(SimulatedLine(units, clock, journal_length=10_000_000).start())
    metrics = MetricsServer(folder / "metrics").start() if store == "line_protocol" else None
    chosen = {"store.kind": f'"{store}"'} | ({"store.url": f'"{metrics.url}"'} if metrics else {})
    config = write_settings(folder, lines, meters, chosen)
    settings = load_settings(config)
    exe = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    broker = subprocess.Popen([exe, "-p", str(settings.broker.port)], stderr=subprocess.DEVNULL)
    recorder = Service("record", "--patient", "--config", str(config), log=folder / "recorder.log")
    poller = Service("poll", "--patient", "--config", str(config), log=folder / "poller.log")
    watched = {"mosquitto": broker.pid, "recorder": recorder.child.pid, "poller": poller.child.pid}
    if metrics and metrics.child:
        watched["victoria-metrics"] = metrics.child.pid
    figures: dict[str, object] = {"meters": meters, "minutes": minutes, "store": store}
    try:
        until(lambda: all(line.journal for line in lines), 60)
        processes = {name: psutil.Process(pid) for name, pid in watched.items()}
        begin = {name: sum(p.cpu_times()[:2]) for name, p in processes.items()}
        started = time.monotonic()
        time.sleep(minutes * 60)
        passed = time.monotonic() - started
        for name, process in processes.items():
            figures[f"{name}_cpu_percent"] = round(100 * (sum(process.cpu_times()[:2]) - begin[name]) / passed, 1)
            figures[f"{name}_memory_mb"] = round(process.memory_full_info().pss / 1e6, 1)
        ended_ms = clock.mono_ms()
        poller.end()
        answered = {f"m{i}-{u}": 0 for i, line in enumerate(lines) for u in line.meters}
        for i, line in enumerate(lines):
            for answer in list(line.journal):
                answered[f"m{i}-{answer.unit_id}"] += 1
        reader = SqliteReader.open(folder / "data")

        def stored() -> int:
            return int(reader.db.execute("SELECT count(*) FROM reading").fetchone()[0])

        end = time.monotonic() + 60
        while time.monotonic() < end and stored() < sum(answered.values()):
            time.sleep(1)
        end = time.monotonic() + 60
        while time.monotonic() < end and stored() < sum(answered.values()):
            time.sleep(1)
        figures["answered"] = sum(answered.values())
        figures["stored"] = stored()
        # What came while the poller was being stopped waits in its outbox for its next start.
        segments = Segments(folder / "data" / "outbox")
        rows = reader.db.execute("SELECT session, meter, sequence FROM committed")
        committed = {(session, meter): sequence for session, meter, sequence in rows}
        figures["in_the_outbox"] = sum(
            isinstance(kept.what, Reading) and kept.sequence > committed.get((kept.session, kept.meter), 0)
            for number in segments.sizes
            for kept in segments.read(number)
        )
        last = {f"m{i}-{u}": 0 for i, line in enumerate(lines) for u in line.meters}
        for i, line in enumerate(lines):
            for answer in list(line.journal):
                last[f"m{i}-{answer.unit_id}"] += answer.mono_ms < ended_ms - 50
        short = {
            meter: n - len(reader.series(meter, 0, FAR, ("power_w",)))
            for meter, n in last.items()
            if len(reader.series(meter, 0, FAR, ("power_w",))) < n
        }
        figures["lost"] = sum(short.values())
        if metrics:
            server = Server(settings.store, settings.site.name, folder)
            there = 0
            end = time.monotonic() + 90
            while time.monotonic() < end and there < stored():
                there = sum(len(server.read(m, 0, FAR // 1000, ("power_w",))) for m in answered)
                time.sleep(2)
            figures["on_the_server"] = there
            server.close()
        recorder.end()
        reader.close()
        sqlite = SqliteReader.open(folder / "data")
        pages = sqlite.db.execute("PRAGMA page_count").fetchone()[0] * 4096
        figures["sqlite_bytes_per_reading"] = round(pages / max(sqlite.db.execute(
            "SELECT count(*) FROM reading").fetchone()[0], 1), 1)  # fmt: skip
        sqlite.close()
        if metrics:
            time.sleep(8)  # it writes down every five seconds
            figures["metrics_bytes_per_reading"] = round(size_of(folder / "metrics" / "data") / max(there, 1), 1)
        figures["gaps_said"] = (folder / "poller.log").read_text().count("no reading")
    finally:
        for service in (poller, recorder):
            if service.child.poll() is None:
                service.kill()
        broker.kill()
        broker.wait()
        if metrics:
            metrics.kill()
        for line in lines:
            line.stop()
    return figures


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--meters", type=int, nargs="+", default=[10, 50, 200])
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--store", choices=["sqlite", "line_protocol"], default="line_protocol")
    args = parser.parse_args()
    for meters in args.meters:
        with tempfile.TemporaryDirectory() as folder:
            print(json.dumps(run(Path(folder), meters, args.minutes, args.store)), flush=True)


if __name__ == "__main__":
    main()
