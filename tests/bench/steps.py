"""Switching steps and speed, side by side with ruptures' PELT on the same readings, in one run."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from loadbook.assessor import Assessor
from loadbook.judge.causes import CauseTable
from loadbook.judge.limits import Limits
from loadbook.logs import read_log, write_log
from loadbook.reading import Series
from loadbook.recognise.plateau import CHANGED, PlateauFinder
from loadbook.simulate.catalogue import Scenario
from recognising import hear, series_of_rows
from scoring import f1

WITHIN_S = 3.0


@dataclass
class StepScore:
    """(right, true, said)."""

    counts: tuple[int, int, int]


def plateau_steps(series: Series) -> list[tuple[float, float]]:
    """(second, watts of change) as the project's plateaus have them."""
    finder = PlateauFinder()
    powers = np.round(series.power_w * 1000).astype(np.int64).tolist()
    out: list[tuple[float, float]] = []
    for at_ms, power_mw in zip(series.at_ms.tolist(), powers, strict=True):
        if finder.step(at_ms, power_mw) == CHANGED:
            out.append((finder.start_ms / 1000, (finder.level_mw - finder.from_mw) / 1000))
    return out[1:]


def pelt_steps(series: Series, scaled: bool = True) -> list[tuple[float, float]]:
    """The same from PELT (l2) on asinh of the power, or on raw watts."""
    import ruptures  # noqa: PLC0415

    values = np.arcsinh(series.power_w / 8.0) if scaled else series.power_w
    found = (
        ruptures.KernelCPD(kernel="linear", min_size=2).fit(values.reshape(-1, 1)).predict(pen=0.5 if scaled else 3e4)
    )
    edges = [0, *found]
    out: list[tuple[float, float]] = []
    for a, b, c in zip(edges, edges[1:], edges[2:], strict=False):
        change = float(series.power_w[b:c].mean() - series.power_w[a:b].mean())
        out.append((float(series.at_ms[b]) / 1000, change))
    return out


def match(
    true: list[tuple[float, float]], said: list[tuple[float, float]], series: Series, within_s: float = WITHIN_S
) -> StepScore:
    """Each true step may be met by one said step of the same direction within ``within_s``. Steps that stand closer
    together than the meter can tell apart (2 s) count as one; a said step in a ramp (the power truly moves, but nothing
    switches) counts neither way."""
    true = _merged(true)
    left = sorted(said)
    right = 0
    for at_s, watts in true:
        near = [x for x in left if abs(x[0] - at_s) <= within_s and x[1] * watts > 0]
        if near:
            left.remove(min(near, key=lambda x: abs(x[0] - at_s)))
            right += 1
    return StepScore((right, len(true), len(said) - sum(_moves(series, at_s) for at_s, _ in left)))


def _moves(series: Series, at_s: float) -> bool:
    """Whether the power goes from one level to another around ``at_s``, seen over some seconds on both sides."""
    first, middle, last = np.searchsorted(series.at_ms, [round((at_s + d) * 1000) for d in (-6, 0, 6)])
    before, after = series.power_w[first:middle][:4], series.power_w[middle:last][-4:]
    if not before.size or not after.size:
        return True
    one, two = float(np.median(before)), float(np.median(after))
    return abs(two - one) > max(5.0, 0.04 * max(one, two))


def _merged(true: list[tuple[float, float]]) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    for at_s, watts in sorted(true):
        if out and at_s - out[-1][0] < 2.0 and out[-1][1] * watts > 0:
            out[-1] = (out[-1][0], out[-1][1] + watts)
        else:
            out.append((at_s, watts))
    return out


def step_scores(series: Series, switches: list[tuple[float, float]], start_s: float, with_pelt: bool) -> StepScore:
    true = [(start_s + at_s + 0.5, watts) for at_s, watts in switches]
    return match(true, pelt_steps(series) if with_pelt else plateau_steps(series), series)


def long_series(series: Series, least: int) -> Series:
    """The same log again and again until it has ``least`` readings."""
    times = -(-least // len(series))
    span_ms = int(series.at_ms[-1] - series.at_ms[0]) + 3_600_000
    at_ms = np.concatenate([series.at_ms + k * span_ms for k in range(times)])
    names = ("power_w", "voltage_v", "current_a", "frequency_hz", "power_factor")
    columns = {n: np.tile(c, times) for n in names if (c := series.column(n)) is not None}
    return Series(at_ms=at_ms, **columns)


def timed(work: Callable[[], object], least_s: float = 0.3) -> float:
    """Best of three, seconds."""
    best = float("inf")
    for _ in range(3):
        began = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - began)
        if best > 5:
            break
    return best


def speed_table(scenario: Scenario) -> None:
    """Readings per second: arrays, whole CSV, one by one; and PELT on the same readings."""
    made = scenario.make()
    short = series_of_rows(made.rows, scenario)
    series = long_series(short, 200_000)
    machine = scenario.model.machine

    def one_by_one() -> None:
        assessor = Assessor(machine, Limits(), CauseTable())
        for reading in short.readings():
            assessor.feed(reading)

    print(f"\nspeed on {scenario.model.id} ({len(series)} readings)")
    arrays_s = timed(lambda: hear(series, machine))
    print(f"  from arrays            {len(series) / arrays_s:12,.0f} readings/s")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        write_log(path, series)
        csv_s = timed(lambda: hear(read_log(path).series, machine))
    print(f"  whole CSV              {len(series) / csv_s:12,.0f} readings/s")
    live_s = timed(one_by_one)
    print(f"  live                   {live_s / len(short) * 1e6:12.1f} us per reading")
    true = [(scenario.start.timestamp() + a + 0.5, w) for a, w in made.truth.switches]
    for name, work in (
        ("plateaus, one by one", lambda: plateau_steps(short)),
        ("PELT on asinh(P/8)", lambda: pelt_steps(short)),
        ("PELT on watts", lambda: pelt_steps(short, scaled=False)),
    ):
        took_s = timed(work)
        right = f1(*match(true, work(), short).counts)
        print(f"  {name:22s} {took_s / len(short) * 1e6:12.2f} us per reading, steps F1 {right:.3f}")
