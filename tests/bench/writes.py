"""What reaches the card, by file: `python -m tests.bench.writes [--meters 2] [--minutes 10] [--folder DIR]`.

Runs `loadbook run` as `whole.py` does, under strace, and counts what it writes and forces (bytes, calls, fsyncs) once
it has settled. Where ``--folder`` lies on a device of its own (say a loop-mounted ext4 image), what that device was
given is told as well: that has the file system's own journal in it, which no counter of a process has.
"""

from __future__ import annotations

import argparse
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections import Counter
from pathlib import Path

from loadbook.clock import Clock
from loadbook.services.stage import free_port

from tests.bench.whole import meters_of, settings

CALLS = "write,pwrite64,fsync,fdatasync"
_LINE = re.compile(r"(\w+)\(\d+<([^>]*)>.*= (\d+)")


def device_bytes(folder: Path) -> int:
    """Bytes the device under a folder has been given since it is there."""
    number = folder.stat().st_dev
    stat = Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}/stat")
    return int(stat.read_text().split()[6]) * 512 if stat.exists() else 0


def kind_of(path: str) -> str:
    name = Path(path).name
    return "outbox segments" if name.endswith(".log") and "outbox" in path else name.removesuffix(".new")


def count(trace: Path, folder: Path) -> dict[str, Counter[str]]:
    """Bytes, writes and forced writes by kind of file."""
    found: dict[str, Counter[str]] = {}
    for line in trace.read_text(errors="replace").splitlines():
        match = _LINE.search(line)
        if match is None or not match[2].startswith(str(folder)):
            continue
        counted = found.setdefault(kind_of(match[2]), Counter())
        if "sync" in match[1]:
            counted["forced"] += 1
        else:
            counted["writes"] += 1
            counted["bytes"] += int(match[3])
    return found


def measure(meters: int, minutes: float, settle: float, folder: Path) -> None:
    clock = Clock()
    lines = meters_of(meters, clock)
    port = free_port(None, 0)
    (folder / "loadbook.toml").write_text(settings(meters, lines, folder, port), encoding="utf-8")
    trace = Path(tempfile.mkstemp(suffix=".strace")[1])
    log = trace.with_suffix(".log").open("w")
    memory = tempfile.TemporaryDirectory(dir="/dev/shm")
    process = subprocess.Popen(
        [sys.executable, "-m", "loadbook", "run", "--config", folder / "loadbook.toml"],
        stdout=log,
        stderr=log,
        env={**os.environ, "RUNTIME_DIRECTORY": memory.name},  # as systemd gives it
    )
    try:
        end = time.monotonic() + 60
        while True:
            try:
                urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=2).read()
                break
            except OSError:
                if process.poll() is not None or time.monotonic() > end:
                    sys.exit(Path(log.name).read_text())
                time.sleep(0.1)
        time.sleep(settle * 60)
        os.sync()
        tracer = subprocess.Popen(["strace", "-f", "-q", "-y", "-s", "0", "-e", f"trace={CALLS}", "-o", trace, "-p",
                                   str(process.pid)])  # fmt: skip
        given, begun = device_bytes(folder), time.monotonic()
        time.sleep(minutes * 60)
        os.sync()
        given, hours = device_bytes(folder) - given, (time.monotonic() - begun) / 3600
        tracer.send_signal(signal.SIGINT)
        tracer.wait(20)
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(60)
        memory.cleanup()
        for line in lines:
            line.stop()
    found = count(trace, folder)
    print("| file | written an hour | writes an hour | forced an hour |\n| --- | --- | --- | --- |")
    total: Counter[str] = Counter()
    for kind, counted in sorted(found.items(), key=lambda item: -item[1]["bytes"]):
        total.update(counted)
        print(row(kind, counted, hours))
    print(row("all", total, hours))
    if folder.stat().st_dev != folder.parent.parent.stat().st_dev:
        print(f"\ngiven to the device: {given / 1e6 / hours:.1f} MB an hour")
    trace.unlink()


def row(kind: str, counted: Counter[str], hours: float) -> str:
    return (
        f"| {kind} | {counted['bytes'] / 1e6 / hours:.2f} MB | {counted['writes'] / hours:.0f} "
        f"| {counted['forced'] / hours:.0f} |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--meters", type=int, default=2)
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--settle", type=float, default=20, help="minutes before that: the write-ahead log grows first")
    parser.add_argument("--folder", type=Path, help="where the data go; default: a temporary folder")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=args.folder) as name:
        measure(args.meters, args.minutes, args.settle, Path(name))


if __name__ == "__main__":
    main()
