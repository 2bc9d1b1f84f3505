"""How fast a log is read and assessed: `python tests/bench/assess_log.py [--hours 24]`.

A machine's log of one reading a second with all of a meter's columns, plain and gzipped: reading alone (fast,
with care, and pandas.read_csv on the same file), the whole assess in this process, and `loadbook assess` as a command.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd
from loadbook.assessment import assess
from loadbook.files import find_log, find_machine, load_causes, load_machine
from loadbook.judge.limits import Limits
from loadbook.logs import read_log, write_log
from loadbook.services.stage import woven


def timed(what: str, rows: int, work: Callable[[], object], times: int = 3) -> None:
    """Print the best of some runs."""
    best = min(_once(work) for _ in range(times))
    print(f"| {what} | {best * 1000:,.0f} ms | {rows / best:,.0f} |")


def _once(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=24)
    parser.add_argument("--cycles", type=int, default=4, help="of a washer, the rest idle; 0: one after the other")
    args = parser.parse_args()
    hours, cycles = args.hours, args.cycles
    source = read_log(find_log(Path("washer-healthy"))).series
    most = max(1, round(hours * 3600 / len(source)))
    many = min(cycles or most, most)
    pause_ms = max(10_000, round((hours * 3600 / many - len(source)) * 1000))
    series = woven([source] * many, end_ms=1_900_000_000_000, pause_ms=pause_ms, step_ms=1000)
    machine_path = find_machine(Path("quay-washer-1"))
    machine, causes = load_machine(machine_path), load_causes()
    with tempfile.TemporaryDirectory() as folder:
        plain, zipped = Path(folder) / "day.csv", Path(folder) / "day.csv.gz"
        write_log(plain, series)
        write_log(zipped, series)
        rows = len(series)
        sizes = [path.stat().st_size / 1e6 for path in (plain, zipped)]
        print(f"{rows:,} readings, {many} cycles, {sizes[0]:.1f} MB plain, {sizes[1]:.2f} MB gzipped\n")
        print("| what | best of 3 | readings/s |\n| --- | --- | --- |")
        timed("read, plain", rows, lambda: read_log(plain))
        timed("read, gzipped", rows, lambda: read_log(zipped))
        timed("read, every row with care", rows, lambda: read_log(plain, careful=True))
        timed("pandas.read_csv with parsed times", rows, lambda: pd.read_csv(plain, parse_dates=["time"]))
        log = read_log(plain)
        timed("assess from arrays", rows, lambda: assess(log, machine, Limits(), causes))
        timed("read and assess", rows, lambda: assess(read_log(plain), machine, Limits(), causes))
        command = [sys.executable, "-m", "loadbook", "assess", plain, "--machine", machine_path, "--json"]
        timed(
            "the command, start-up and JSON included",
            rows,
            lambda: subprocess.run(command, capture_output=True, check=False),
        )
    print(f"\npeak memory of a child: {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
