"""What a machine's readings take on the card in a year: full rate in SQLite and Parquet, and one-minute figures.

    python -m tests.bench.sizes [--days 7]

Played: the replay log of a washer, one cycle after the other with idling between and a little noise.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from loadbook.files import find_log
from loadbook.logs import read_log
from loadbook.reading import QUANTITIES, Series
from loadbook.store.archive import DAY_MS, Archive
from loadbook.store.keeping import drop, roll_up
from loadbook.store.sqlite_readings import SqliteStore

YEAR = 365


def days_of(log: Series, days: int) -> Series:
    """The log again and again, idling as its first minute does for as long as it lasted, for so many days."""
    idle = np.arange(len(log)) % 60
    index = np.resize(np.concatenate([np.arange(len(log)), idle]), days * 86_400)
    start_ms = int(log.at_ms[0]) // DAY_MS * DAY_MS
    made = replace(log, at_ms=start_ms + 1000 * np.arange(len(index), dtype=np.int64), power_w=log.power_w[index])
    for quantity in QUANTITIES[1:]:
        column = log.column(quantity.name)
        setattr(made, quantity.name, None if column is None else column[index])
    rng = np.random.default_rng(1)  # no two cycles are alike, or the compressor would see through the play
    made.power_w = np.round(np.maximum(made.power_w + rng.normal(0, 0.3, len(index)), 0), 1)
    if made.voltage_v is not None:
        made.voltage_v = np.round(made.voltage_v + rng.normal(0, 0.3, len(index)), 1)
    if made.current_a is not None:
        made.current_a = np.round(made.current_a + rng.normal(0, 0.003, len(index)), 3)
    if made.energy_wh is not None:
        made.energy_wh = np.round(np.cumsum(made.power_w) / 3600, 1)
    return made


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=7)
    days = parser.parse_args().days
    series = days_of(read_log(find_log(Path("washer-healthy"))).series, days)
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore(Path(folder) / "readings.sqlite")
        readings = [("m", r) for r in series.readings()]
        for first in range(0, len(readings), 10):  # as live: ten seconds a commit
            store.append(readings[first : first + 10])

        def used() -> int:
            pages, free, size = (
                store.db.execute(f"PRAGMA {p}").fetchone()[0] for p in ("page_count", "freelist_count", "page_size")
            )
            return int((pages - free) * size)

        full = used()
        list(roll_up(store, "m"))
        both = used()
        archive = Archive(Path(folder) / "archive")
        end_ms = int(series.at_ms[-1]) + 1
        list(archive.take(store, "m", end_ms + DAY_MS))
        parquet = sum(p.stat().st_size for p in (Path(folder) / "archive").rglob("*.parquet"))
        list(drop(store, "m", end_ms, []))
        n = len(series)
        for what, size in (("full rate, SQLite", full), ("full rate, Parquet", parquet), ("one minute", both - full)):
            print(f"{what:20} {size / n:6.2f} bytes a reading, {size / days * YEAR / 1e6:7.0f} MB a machine-year")
        store.close()


if __name__ == "__main__":
    main()
