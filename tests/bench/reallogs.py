"""Real traces with hand labels: phases against a chart, and faults put into the traces. No test needs them.

A folder holds the traces and ``labels.json`` (start, end, phases with stage and times, spells of the heater); another
holds machine files and ``map.json`` (log -> machine file, and the chart's phase id of each labelled phase).
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from loadbook.events import iso
from loadbook.files import load_machine
from loadbook.logs import read_log
from loadbook.machine import Machine
from loadbook.reading import Series
from recognising import hear
from scoring import Score, score, seconds

AROUND_S = 900.0
AFTER_S = 2400.0


@dataclass(frozen=True)
class Labelled:
    """One labelled cycle cut out of its day: readings around it, its chart, its phases as (id, start s, end s)."""

    name: str
    series: Series
    machine: Machine
    phases: tuple[tuple[str, str, float, float], ...]
    heater: tuple[tuple[float, float], ...]

    def chart(self, phase_id: str) -> Any:
        return next(p for p in self.machine.programmes[0].phases if p.id == phase_id)

    def mask(self, from_s: float, until_s: float) -> np.ndarray:
        return (self.series.at_ms >= from_s * 1000) & (self.series.at_ms < until_s * 1000)


def labelled(folder: Path, charts: Path) -> list[Labelled]:
    """Every labelled cycle that has a chart."""
    known = json.loads((charts / "map.json").read_text(encoding="utf-8"))
    out: list[Labelled] = []
    for row in json.loads((folder / "labels.json").read_text(encoding="utf-8")):
        if row["log"] not in known:
            continue
        chart = known[row["log"]]
        series = read_log(folder / row["log"]).series
        inside = (series.at_ms >= (seconds(row["start"]) - AROUND_S) * 1000) & (
            series.at_ms <= (seconds(row["end"]) + AFTER_S) * 1000
        )
        first, last = np.flatnonzero(inside)[[0, -1]]
        phases = tuple(
            (i, p["stage"], seconds(p["start"]), seconds(p["end"]))
            for i, p in zip(chart["phases"], row["phases"], strict=True)
        )
        out.append(
            Labelled(
                row["log"].split("/")[-1].removesuffix(".csv.gz"),
                series.slice(int(first), int(last) + 1),
                load_machine(charts / chart["machine"]),
                phases,
                tuple((seconds(a), seconds(b)) for a, b in row["heater_on"]),
            )
        )
    return out


def truth_json(log: Labelled, fault: str = "", expected: list[dict[str, Any]] | None = None) -> dict[str, Any]:
    def at(s: float) -> str:
        return iso(round(s * 1000)) or ""

    charted = [log.chart(i).id for i, *_ in log.phases]
    return {
        "scenario": f"{log.name}--{fault or 'as-it-was'}", "machine": log.machine.id, "fault": fault,
        "cycles": [
            {
                "start": at(log.phases[0][2]), "end": at(log.phases[-1][3]), "programme": "usual",
                "outcome": "completed",
                "phases": [
                    {"id": i, "stage": stage, "start": at(a), "end": at(b)}
                    for i, (_, stage, a, b) in zip(charted, log.phases, strict=True)
                ],
            }
        ],
        "alerts": expected or [],
    }  # fmt: skip


def expect(kind: str, times_s: tuple[float, float, float], phases: tuple[str, ...], part: str | None) -> dict[str, Any]:
    began_s, proof_s, due_s = times_s
    return {
        "kind": kind, "also": [], "cycle": 0, "phases": list(phases), "components": [part] if part else [],
        "began_at": iso(round(began_s * 1000)), "provable_at": iso(round(proof_s * 1000)),
        "due_at": iso(round(due_s * 1000)), "needed": True,
    }  # fmt: skip


def _with_power(log: Labelled, power_w: np.ndarray, volts: bool) -> Labelled:
    series = replace(log.series, power_w=np.maximum(power_w, 0.0))
    if volts:
        series.voltage_v = np.full(len(series), log.machine.machine.rated_voltage_v)
    return replace(log, series=series)


def heater_at(log: Labelled, share: float) -> tuple[Labelled, dict[str, Any]] | None:
    """The heater at a share of its watts, with a voltage column at the rated value (without, 75 % proves nothing)."""
    if not log.heater:
        return None
    power = log.series.power_w.copy()
    on = np.zeros(power.size, dtype=bool)
    for a, b in log.heater:
        on |= log.mask(a, b)
    plate_w = log.machine.component("heater").rated_w
    on &= power > 0.7 * plate_w
    base_w = (
        0.0 if log.machine.machine.kind != "dishwasher" else log.machine.component("circulation_pump").rated_w * 0.95
    )
    heater_w = float(np.percentile(power[on], 10)) - base_w
    power[on] -= (1 - share) * heater_w
    faulty = _with_power(log, power, volts=True)
    began_s = next(a for a, b in log.heater if b - a >= 40)
    names = tuple(i for i, _, a, b in log.phases if a - 5 <= began_s <= b)
    return faulty, expect("power_low", (began_s, began_s + 2, began_s + 60), names, "heater")


def motor_gone(log: Labelled) -> tuple[Labelled, dict[str, Any]] | None:
    """The circulation pump (dishwasher) or the drum (washer) draws nothing."""
    kind = log.machine.machine.kind
    if kind not in ("dishwasher", "washing_machine"):
        return None
    name = "circulation_pump" if kind == "dishwasher" else "drum_motor"
    power = log.series.power_w.copy()
    plate_w = log.machine.component("heater").rated_w
    first: tuple[str, float, float] | None = None
    for phase_id, _, a, b in log.phases:
        chart = log.chart(phase_id)
        if name not in (*chart.on, *chart.pulsing):
            continue
        inside = log.mask(a, b)
        hot = inside & (power > 0.6 * plate_w)
        level_w = float(np.median(power[hot])) if hot.any() else 0.0
        cold = inside & ~hot
        if kind == "dishwasher":
            power[hot] -= log.machine.component(name).rated_w * 0.95
        elif hot.any():
            power[hot] = np.minimum(power[hot], float(np.percentile(power[hot], 10)))
        power[cold] = np.minimum(power[cold], 4.0)
        first = first or ((phase_id, a, b) if level_w == 0 or kind == "dishwasher" else None)
    if first is None:
        return None
    phase_id, a, b = first
    near = [i for i, *_ in log.phases]
    here = near.index(phase_id)
    late_s = b + 120 if kind == "washing_machine" else a + 60
    return _with_power(log, power, False), expect(
        "component_missing", (a, a + 1, late_s), tuple(near[max(here - 1, 0) : here + 2]), name
    )


def pump_gone(log: Labelled) -> tuple[Labelled, dict[str, Any]] | None:
    """The drain pump draws nothing in the first phase that needs it all along."""
    wanted = [(i, a, b) for i, _, a, b in log.phases if log.chart(i).on == ("drain_pump",) and not log.chart(i).pulsing]
    if not wanted or log.machine.machine.kind != "dishwasher":
        return None
    power = log.series.power_w.copy()
    for _, a, b in wanted:
        inside = log.mask(a - 2, b + 2)
        power[inside] = np.minimum(power[inside], 2.0)
    phase_id, a, _ = wanted[0]
    return _with_power(log, power, False), expect(
        "component_missing", (a, a + 1, a + 60), (phase_id, "dry"), "drain_pump"
    )


def prolonged(log: Labelled, stage: str) -> tuple[Labelled, dict[str, Any]] | None:
    """The longest phase of a stage goes on to 1.3 times its ``max_s``: the middle of its trace again and again."""
    rows = [(i, a, b) for i, s, a, b in log.phases if log.chart(i).stage == stage and b - a > 150]
    if not rows:
        return None
    phase_id, a, b = max(rows, key=lambda r: r[2] - r[1])
    longest_s = log.chart(phase_id).max_s
    block = np.flatnonzero(log.mask(a + 0.3 * (b - a), a + 0.8 * (b - a)))
    span_ms = int(log.series.at_ms[block[-1] + 1] - log.series.at_ms[block[0]])
    times = int(np.ceil((1.3 * longest_s - (b - a)) * 1000 / span_ms))
    at = np.concatenate(
        [log.series.at_ms[: block[-1] + 1]]
        + [log.series.at_ms[block] + span_ms * (k + 1) for k in range(times)]
        + [log.series.at_ms[block[-1] + 1 :] + span_ms * times]
    )
    power = np.concatenate(
        [
            log.series.power_w[: block[-1] + 1],
            np.tile(log.series.power_w[block], times),
            log.series.power_w[block[-1] + 1 :],
        ]
    )
    later_s = span_ms * times / 1000
    phases = tuple((i, s, x + later_s * (x >= b), y + later_s * (y >= b)) for i, s, x, y in log.phases)
    faulty = replace(log, series=Series(at_ms=at, power_w=power), phases=phases)
    proof_s = a + longest_s
    return faulty, expect("phase_too_long", (a, proof_s - 20, proof_s + 60), (phase_id,), None)


FAULTS = {
    "heater-75": lambda log: heater_at(log, 0.75),
    "heater-50": lambda log: heater_at(log, 0.5),
    "motor-gone": motor_gone,
    "pump-gone": pump_gone,
    "heat-prolonged": lambda log: prolonged(log, "heat"),
    "wash-prolonged": lambda log: prolonged(log, "wash"),
    "dry-prolonged": lambda log: prolonged(log, "dry"),
}


def real_scores(folder: Path, charts: Path, tell: Any = None) -> list[Score]:
    """Each labelled cycle as it was, and with each fault that can be put into it."""
    out: list[Score] = []
    for log in labelled(folder, charts):
        cases: list[tuple[str, Labelled, list[dict[str, Any]]]] = [("", log, [])]
        for name, put in FAULTS.items():
            got = put(log)
            if got:
                cases.append((name, got[0], [got[1]]))
        for name, faulty, expected in cases:
            heard = hear(faulty.series, faulty.machine)
            one = score(truth_json(faulty, name, expected), heard.said, heard.live)
            out.append(one)
            if tell and one.failed:
                tell(one, heard)
    return out
