"""Runs the recogniser over a log in this process, as ``loadbook assess`` does, and keeps what was said live as well."""

from __future__ import annotations

import tempfile
import time
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from loadbook.assessor import Assessor
from loadbook.events import Alert, AlertChanged, Cycle, CycleChanged, StateChanged
from loadbook.judge.causes import CauseTable
from loadbook.judge.limits import Limits
from loadbook.logs import read_log
from loadbook.machine import Machine
from loadbook.reading import QUANTITIES, Series
from loadbook.simulate.catalogue import Made, Scenario
from loadbook.simulate.metering import Rows, csv_text

GAP_S = 10.0
"""More than this without a reading is a gap (contract): what ran in it nobody can know."""


@dataclass
class Heard:
    """What was said: the contract's cycles and alerts, the live timeline, alerts taken back, seconds it took."""

    said: dict[str, Any]
    live: list[tuple[float, str | None]]
    withdrawn: list[Alert]
    took_s: float


def series_of(scenario: Scenario, made: Made) -> Series:
    """The log as the house reads it: by way of its CSV where the log is spoilt, else straight."""
    if "csv" not in scenario.tags:
        return series_of_rows(made.rows, scenario)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        path.write_text(csv_text(made.rows, scenario.start, scenario.offset_h), encoding="utf-8")
        return read_log(path).series


def series_of_rows(rows: Rows, scenario: Scenario) -> Series:
    """Rows as a log's reader gives them: in order of time, the last of a repeated instant."""
    start_ms = round(scenario.start.timestamp() * 1000)
    at_ms = start_ms + np.round(rows.stamp_s * 1000).astype(np.int64)
    order = np.argsort(at_ms, kind="stable")
    at_ms = at_ms[order]
    last = np.append(np.diff(at_ms) > 0, True)
    names = {q.name for q in QUANTITIES}
    columns = {k: v[order][last] for k, v in rows.columns.items() if k in names}
    return Series(at_ms=at_ms[last], **columns)  # type: ignore[arg-type]


def hear(series: Series, machine: Machine | None) -> Heard:
    """Assess a log. Causes are left out: they are not scored here."""
    limits = Limits()
    began_s = time.perf_counter()
    assessor = Assessor(machine, limits, CauseTable())
    events = [*assessor.feed_series(series), *assessor.finish()]
    took_s = time.perf_counter() - began_s
    cycles: dict[int, Cycle] = {}
    alerts: dict[str, Alert] = {}
    withdrawn: list[Alert] = []
    live: list[tuple[float, str | None]] = []
    for event in events:
        if isinstance(event, CycleChanged):
            cycles[event.cycle.key_ms] = event.cycle
            if event.dropped:
                del cycles[event.cycle.key_ms]
        elif isinstance(event, AlertChanged):
            alerts[event.alert.key] = event.alert
            if event.withdrawn:
                withdrawn.append(alerts.pop(event.alert.key))
        elif isinstance(event, StateChanged):
            live.append((event.at_ms / 1000.0, event.phase))
    rows = sorted(cycles.values(), key=lambda c: c.start_ms)
    place = {c.key_ms: i for i, c in enumerate(rows)}
    said = {
        "cycles": [c.as_contract() for c in rows],
        "alerts": [
            a.as_contract(place.get(a.cycle_key_ms) if a.cycle_key_ms is not None else None)
            for a in sorted(alerts.values(), key=lambda a: a.raised_ms)
        ],
    }
    return Heard(said, live, withdrawn, took_s)


def truth_json(scenario: Scenario, made: Made) -> dict[str, Any]:
    """The truth of a made scenario as the file beside a log has it."""
    from loadbook.simulate.truth import as_json  # noqa: PLC0415

    def iso(at_s: float) -> str:
        return (scenario.start + timedelta(seconds=scenario.clock_s(at_s))).isoformat()

    stamp_s = sorted(made.rows.stamp_s.tolist())
    gaps = [[iso(a), iso(b)] for a, b in pairwise(stamp_s) if b - a > GAP_S] if scenario.back is None else []
    return as_json(made.truth, iso, scenario=scenario.name, machine=scenario.model.id, fault=scenario.fault, gaps=gaps)
