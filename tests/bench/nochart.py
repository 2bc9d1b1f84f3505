"""Cycles and stages where nobody has written a chart: from power alone, and from plates alone."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from loadbook.machine import Machine
from loadbook.reading import Series
from loadbook.simulate.catalogue import Scenario
from reallogs import labelled
from reallogs import truth_json as real_truth
from recognising import hear, series_of, truth_json
from scoring import Score, score, seconds

WET = {"fill": "water", "drain": "water", "drain_fill": "water", "wash": "move", "rinse": "move", "hold": "move",
       "cool": "move", "loosen": "quiet", "heat": "heat", "spin": "spin", "dry": "quiet", "dry_passive": "quiet",
       "wait": "quiet"}  # fmt: skip
"""Stages that watts alone cannot tell apart count as one look: wash and rinse, drain and fill. A hand label's loosening
is a chart's ``wait`` (the contract has no other stage for it)."""
DRYING = WET | {
    "dry": "heat",
    "spin": "move",
    "wash": "move",
    "anticrease": "quiet",
    "wait": "quiet",
    "loosen": "quiet",
}
KINDS = {"dishwasher": "dishwasher", "washing_machine": "washing machine", "tumble_dryer": "tumble dryer",
         "washer_dryer": "washer-dryer"}  # fmt: skip


def looks(cycles: list[dict[str, Any]], start_s: float, n: int, words: dict[str, str]) -> np.ndarray:
    names = sorted(set(words.values()))
    row = np.full(n, -1)
    for cycle in cycles:
        for phase in cycle["phases"]:
            if phase["start"] is not None:
                a, b = round(seconds(phase["start"]) - start_s), round(seconds(phase["end"]) - start_s)
                row[max(a, 0) : max(b, 0)] = names.index(words.get(phase["stage"], "quiet"))
    return row


def may_heat(cycles: list[dict[str, Any]], start_s: float, n: int, machine: Machine) -> np.ndarray:
    """Where a heater belongs in a phase that is charted as something else: while it is on, watts show a heat."""
    heaters = {c.id for c in machine.components if c.nature == "resistive"}
    hot = {p.id for m in machine.programmes for p in m.phases if heaters & {*p.on, *p.pulsing}}
    row = np.zeros(n, dtype=bool)
    for phase in (p for c in cycles for p in c["phases"] if p["start"] is not None and p["id"] in hot):
        row[max(round(seconds(phase["start"]) - start_s), 0) : max(round(seconds(phase["end"]) - start_s), 0)] = True
    return row


def one(truth: dict[str, Any], series: Series, machine: Machine) -> tuple[Score, tuple[int, int]]:
    """Cycles without any file; frames of the right look with the plates alone."""
    bare = score(truth, hear(series, None).said, [])
    plates = hear(series, machine.model_copy(update={"programmes": ()})).said
    words = DRYING if machine.machine.kind == "tumble_dryer" else WET
    start_s = seconds(truth["cycles"][0]["start"])
    n = round(seconds(truth["cycles"][-1]["end"]) - start_s)
    true, said = looks(truth["cycles"], start_s, n, words), looks(plates["cycles"], start_s, n, words)
    inside = true >= 0
    heats = may_heat(truth["cycles"], start_s, n, machine) & (said == sorted(set(words.values())).index("heat"))
    return bare, (int(((true == said) | heats)[inside].sum()), int(inside.sum()))


def sources(scenarios: Iterator[Scenario], real: tuple[Path, Path] | None) -> Iterator[tuple[str, dict[str, Any], Any]]:
    for scenario in scenarios:
        if not scenario.fault:
            made = scenario.make()
            yield "simulated", truth_json(scenario, made), (series_of(scenario, made), scenario.model.machine)
    if real:
        for log in labelled(*real):
            yield "real", real_truth(log), (log.series, log.machine)


def nochart_table(scenarios: Iterator[Scenario], real: tuple[Path, Path] | None) -> None:
    counts: dict[tuple[str, str], list[int]] = defaultdict(lambda: [0, 0, 0, 0, 0])
    worst: dict[tuple[str, str], str] = {}
    for source, truth, (series, machine) in sources(scenarios, real):
        bare, (right, frames) = one(truth, series, machine)
        row = counts[source, KINDS[machine.machine.kind]]
        for i, value in enumerate((bare.cycles_exact, max(bare.cycles, bare.cycles_said), right, frames, 1)):
            row[i] += value
        if bare.cycles_exact < max(bare.cycles, bare.cycles_said):
            worst.setdefault((source, KINDS[machine.machine.kind]), f"{bare.scenario} (said {bare.cycles_said})")
    print(f"\n{'without a chart':32s} {'logs':>5s} {'cycles':>7s} {'looks':>7s}  first miss")
    for key, (exact, cycles, right, frames, logs) in sorted(counts.items()):
        name = f"{key[1]}, {key[0]}"
        print(f"{name:32s} {logs:5d} {exact / max(cycles, 1):7.3f} {right / max(frames, 1):7.3f}  {worst.get(key, '')}")
