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
from loadbook.machine import Machine
from loadbook.reading import Series
from loadbook.recognise.plateau import CHANGED, PlateauFinder
from loadbook.services.stage import woven
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
    """Best of three, seconds of this process, so that what else runs hardly counts."""
    best = float("inf")
    for _ in range(3):
        began = time.process_time()
        work()
        best = min(best, time.process_time() - began)
        if best > 5:
            break
    return best


def a_day(series: Series, cycles: int = 4) -> Series:
    """24 hours at a reading a second in which the log happens ``cycles`` times, and the machine idles in between."""
    pause_ms = round((86_400 / cycles - len(series)) * 1000)
    return woven([series] * cycles, end_ms=2_000_000_000_000, pause_ms=pause_ms, step_ms=1000)


def live(series: Series, machine: Machine) -> float:
    """Seconds for the whole log, fed one reading at a time."""
    readings = list(series.readings())

    def one_by_one() -> None:
        assessor = Assessor(machine, Limits(), CauseTable())
        for reading in readings:
            assessor.feed(reading)

    return timed(one_by_one)


def speed_table(scenario: Scenario) -> None:
    """Readings per second from arrays, from a CSV file and one by one: cycle after cycle, and on an ordinary day; PELT
    on the same readings beside it. Best of three each, in time of
    this process, so that what else runs hardly counts."""
    made = scenario.make()
    short = series_of_rows(made.rows, scenario)
    machine = scenario.model.machine
    busy, day = long_series(short, 50_000), a_day(short)
    print(f"\nspeed on {scenario.model.id}, readings/s (best of three)")
    print(f"{'':26s} {'readings':>9s} {'arrays':>12s} {'whole CSV':>12s} {'live us':>8s} {'PELT':>12s}")
    live_s: dict[str, float] = {}
    for name, series in (("cycle after cycle", busy), ("a day with 4 cycles", day)):
        n = len(series)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "log.csv"
            write_log(path, series)
            csv_s = timed(lambda path=path: hear(read_log(path).series, machine))  # type: ignore[misc]
        arrays_s = timed(lambda series=series: hear(series, machine))  # type: ignore[misc]
        live_s[name] = live(series, machine)
        pelt_s = timed(lambda series=series: pelt_steps(series))  # type: ignore[misc]
        us = live_s[name] / n * 1e6
        print(f"{name:26s} {n:9d} {n / arrays_s:12,.0f} {n / csv_s:12,.0f} {us:8.1f} {n / pelt_s:12,.0f}")
    idle_n = len(day) - 4 * len(short)
    idle_s = live_s["a day with 4 cycles"] - 4 * len(short) * live_s["cycle after cycle"] / len(busy)
    print(f"live while it idles {idle_s / idle_n * 1e6:.1f} us per reading")
    true = [(scenario.start.timestamp() + a + 0.5, w) for a, w in made.truth.switches]
    for name, work in (
        ("plateaus, one by one", lambda: plateau_steps(short)),
        ("PELT on asinh(P/8)", lambda: pelt_steps(short)),
        ("PELT on watts", lambda: pelt_steps(short, scaled=False)),
    ):
        took_s = timed(work)
        right = f1(*match(true, work(), short).counts)
        print(f"  {name:22s} {took_s / len(short) * 1e6:12.2f} us per reading, steps F1 {right:.3f}")
