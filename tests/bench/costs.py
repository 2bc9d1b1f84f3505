"""What pricing takes: a machine-year of readings at 1 Hz, and a year of half-hour starts, beside plain pandas.

``python tests/bench/costs.py``: each side in a process of its own, so that the memory is its own; both must agree.
The year of readings is made up from the washing-machine profile of the CREST domestic electricity demand model
(Richardson, Thomson, Infield, Clifford 2010), twice a day, with standby between.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "cost"))

from cost_support import CREST_W, TWO, ms, series_of_watts, tariff_of

START = "2026-01-01T00:00+01:00"
ZONE = "Europe/Berlin"
DAY_S = 86_400


def watts(days: int) -> np.ndarray:
    """Watts a second for that many days."""
    day = np.full(DAY_S, 1.1)
    for hour in (7, 18):
        day[hour * 3600 : hour * 3600 + len(CREST_W) * 60] = np.repeat(CREST_W, 60)
    return np.append(np.tile(day, days), 0.0)


def half_hour_prices() -> tuple[str, Any]:
    """A price table of 2026's half hours as CSV text, and the same as a pandas series."""
    import pandas as pd  # noqa: PLC0415

    slots = pd.date_range("2026-01-01", "2027-01-02", freq="30min", tz="UTC", inclusive="left")
    prices = pd.Series(np.round(np.random.default_rng(11).normal(0.3, 0.1, len(slots)), 4), index=slots)
    rows = (f"{at:%Y-%m-%dT%H:%MZ},{price}" for at, price in prices.items())
    return "\n".join(["start,price_per_kwh", *rows, ""]), prices


def year_ours(days: int) -> float:
    from loadbook.cost import price_series  # noqa: PLC0415

    return float(price_series(tariff_of(TWO), series_of_watts(watts(days), ms(START))).gross or 0)


def year_pandas(days: int) -> float:
    import pandas as pd  # noqa: PLC0415

    power = watts(days)[:-1]
    index = pd.date_range(pd.Timestamp(ms(START), unit="ms", tz="UTC"), periods=len(power), freq="s").tz_convert(ZONE)
    kwh = pd.Series(power / 3.6e6, index=index)
    night = (index.hour >= 22) | (index.hour < 6)
    return float((kwh * np.where(night, 0.2107, 0.3891)).sum())


def starts_ours(days: int) -> float:
    from loadbook.cost import parse_tariff  # noqa: PLC0415
    from loadbook.cost.start import shape_of, start_costs, starts_within  # noqa: PLC0415

    table, _ = half_hour_prices()
    text = (
        '[tariff]\nid = "t"\nname = "t"\ncurrency = "EUR"\ntime_zone = "UTC"\n[[period]]\nfrom = 2026-01-01\n'
        'prices_csv = "half-hours.csv"\n'
    )
    tariff = parse_tariff(text, "bench", lambda _: table)
    shape = shape_of(series_of_watts(np.append(np.resize(np.repeat(CREST_W, 60), 10_800), 0.0), 0))
    starts = starts_within(ms("2026-01-01T00:00Z"), ms("2026-12-31T20:00Z"), 30)
    costs = start_costs(tariff, shape, starts)
    return float(costs.amount(costs.cheapest() or 0) or 0)


def starts_pandas(days: int) -> float:
    _, prices = half_hour_prices()
    by_minute = prices.resample("1min").ffill()
    kwh = np.resize(np.repeat(CREST_W, 60), 10_800).reshape(-1, 60).sum(axis=1) / 3.6e6
    best = np.inf
    for start in prices.index[:-8]:
        at = by_minute.index.get_loc(start)
        best = min(best, float((by_minute.iloc[at : at + len(kwh)].to_numpy() * kwh).sum()))
    return best


SIDES = {f.__name__: f for f in (year_ours, year_pandas, starts_ours, starts_pandas)}


def alone(name: str, days: int) -> dict[str, float]:
    """One side in a process of its own: its answer, seconds and peak memory."""
    command = [sys.executable, __file__, "--side", name, "--days", str(days)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    told: dict[str, float] = json.loads(done.stdout)
    return told


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=365, help="days of readings (default: 365)")
    parser.add_argument("--side", choices=SIDES, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.side:
        began = time.perf_counter()
        answer = SIDES[args.side](args.days)
        seconds = time.perf_counter() - began
        memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(json.dumps({"answer": answer, "seconds": seconds, "memory_mb": memory_mb}))
        return 0
    print(f"{'':50}{'answer':>12}{'s':>9}{'MB':>8}")
    for title, ours, theirs in (
        (f"{args.days} days at 1 Hz under two bands", "year_ours", "year_pandas"),
        ("a year of half-hour starts, 3 h shape", "starts_ours", "starts_pandas"),
    ):
        told = [alone(ours, args.days), alone(theirs, args.days)]
        for who, row in zip(("Loadbook", "pandas"), told, strict=True):
            print(f"{title + ', ' + who:50}{row['answer']:12.6f}{row['seconds']:9.2f}{row['memory_mb']:8.0f}")
        if abs(told[0]["answer"] - told[1]["answer"]) > 1e-6 * abs(told[1]["answer"]):
            print("the two do not agree")
            return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
