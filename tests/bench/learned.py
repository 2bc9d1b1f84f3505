"""Charts learned from a few good cycles: false alerts on the other good cycles, and what is found of faults.

Simulated machines: learned from healthy seeds, scored on other healthy seeds and on faulty runs. Real traces: every
run of good cycles of one programme (told by its length) is learned from in turn, and scored on all the others.
A learned chart has names and limits of its own: a fault is found by an alert of the right kind (and part), not before
it began; of an overrun the limit may lie later than in the hand-written chart.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from loadbook.errors import InputError
from loadbook.events import iso
from loadbook.files import load_machine
from loadbook.judge.limits import Limits
from loadbook.learning import NOT_THE_CHARTS, found_in, learn_from
from loadbook.logs import read_log
from loadbook.machine import Machine
from loadbook.reading import Series
from loadbook.simulate import catalogue
from reallogs import FAULTS, Labelled, labelled
from recognising import hear, series_of, truth_json
from scoring import EARLY_S, OVERRUNS, seconds

ALIKE = 0.12
"""Cycles whose lengths differ by less are of one programme."""
ALIKE_DRYER = 1.0
BEFORE_MS, AFTER_MS = 900_000, 2_400_000
LEAST_MS = 20 * 60_000
"""What lasted shorter is no washing programme: a drain, a spin alone."""


@dataclass
class Row:
    """Counts of one machine."""

    charts: int = 0
    refused: int = 0
    cycles: int = 0
    said_cycles: int = 0
    hours: float = 0.0
    false: Counter[str] = field(default_factory=Counter)
    faults: int = 0
    found: int = 0
    named: int = 0
    missed: list[str] = field(default_factory=list)


def bare(machine: Machine) -> Machine:
    return machine.model_copy(update={"programmes": ()})


def learned_machine(logs: list[tuple[str, Series]], machine: Machine, row: Row, tell: bool) -> Machine | None:
    try:
        result = learn_from(logs, bare(machine), "learned", None, Limits())
    except InputError as error:
        row.refused += 1
        print(f"   {machine.id}: refused: {error}")
        return None
    row.charts += 1
    if tell:
        for phase in result.programme.phases:
            seen = [round(s) for s in result.durations_s[phase.id]]
            parts = "+".join(phase.on) + (" ~" + "+".join(phase.pulsing) if phase.pulsing else "")
            optional = "optional " if phase.optional else ""
            print(f"   {phase.id:10s} {phase.min_s:5.0f}..{phase.max_s:5.0f} {optional}{parts} seen {seen}")
        for note in result.notes:
            print(f"   note {note}")
    return result.machine


def score_healthy(name: str, series: Series, machine: Machine, row: Row, tell: bool) -> None:
    said = hear(series, machine).said
    row.cycles += 1
    row.said_cycles += len(said["cycles"])
    row.hours += sum(seconds(c["end"]) - seconds(c["start"]) for c in said["cycles"]) / 3600
    for alert in said["alerts"]:
        if alert["kind"] in NOT_THE_CHARTS:
            continue
        row.false[alert["kind"]] += 1
        if tell:
            where = "/".join(x for x in (alert["phase"], alert["component"]) if x)
            band = f"{alert['low']}..{alert['high']}"
            print(f"   false {name}: {alert['kind']} {where} at {alert['raised_at']} ({alert['measured']}, {band})")


def score_fault(name: str, expected: list[dict[str, Any]], series: Series, machine: Machine, row: Row) -> None:
    alerts = hear(series, machine).said["alerts"]
    for one in expected:
        if not one["needed"]:
            continue
        row.faults += 1
        from_s, due_s = seconds(one["began_at"]) - EARLY_S, seconds(one["due_at"])
        kinds = (one["kind"], *one["also"])
        right = [
            a
            for a in alerts
            if a["kind"] in kinds
            and seconds(a["raised_at"]) >= from_s
            and (a["kind"] in OVERRUNS or seconds(a["raised_at"]) <= due_s)
        ]
        row.found += bool(right)
        if any(not one["components"] or a["component"] in one["components"] for a in right):
            row.named += 1
        else:
            row.missed.append(f"{name} {one['kind']}: said {sorted({a['kind'] for a in alerts})}")


def simulated_rows(
    only: str | None, healthy: int, learn: int, faults: tuple[str, ...], tell: bool
) -> Iterator[tuple[str, Row]]:
    for model, meter in catalogue.bench_models().values():
        if only and model.id != only:
            continue
        row = Row()
        for number, programme in enumerate(model.programmes):
            made = [(s, s.make()) for s in (catalogue.healthy(model, programme, 100 + k, meter)
                                            for k in range(learn + healthy))]  # fmt: skip
            logs = [(s.name, series_of(s, m)) for s, m in made]
            if tell:
                print(f"-- {model.id} {programme}")
            machine = learned_machine(logs[:learn], model.machine, row, tell)
            if machine is None:
                continue
            for name, series in logs[learn:]:
                score_healthy(name, series, machine, row, tell)
            for scenario in catalogue.of_model(model, meter, 1, 0, faults) if not number else ():
                if scenario.fault:
                    run = scenario.make()
                    score_fault(
                        scenario.name, truth_json(scenario, run)["alerts"], series_of(scenario, run), machine, row
                    )
        yield model.id, row


def real_cycles(folder: Path, charts: Path) -> dict[str, tuple[Machine, list[tuple[str, Series]]]]:
    """By machine and programme: good cycles cut out of their days, with the machine's plates."""
    known = {path.stem: bare(load_machine(path)) for path in sorted(charts.glob("*.toml"))}
    cycles: dict[str, list[tuple[str, Series, float]]] = defaultdict(list)
    for path in sorted(folder.glob("*/*.csv.gz")):
        name = path.name.split("-")[0]
        if name not in known:
            continue
        series = read_log(path).series
        for cycle in found_in(series, known[name], Limits()).cycles:
            whole = cycle.start_ms - int(series.at_ms[0]) > 60_000
            if cycle.outcome == "completed" and whole and cycle.end_ms - cycle.start_ms > LEAST_MS:
                first, last = np.searchsorted(series.at_ms, [cycle.start_ms - BEFORE_MS, cycle.end_ms + AFTER_MS])
                at = f"{name} {(iso(cycle.start_ms) or '')[:16]}"
                cycles[name].append((at, series.slice(int(first), int(last)), (cycle.end_ms - cycle.start_ms) / 1000))
    out = {}
    for name, rows in cycles.items():
        dryer = known[name].machine.kind == "tumble_dryer"
        usual_s = median(r[2] for r in rows)
        alike = [r for r in rows if abs(r[2] / usual_s - 1) <= (ALIKE_DRYER if dryer else ALIKE)]
        out[name] = (known[name], [(n, s) for n, s, _ in alike])
    return out


def real_rows(
    folder: Path, charts: Path, only: str | None, learn: int, faults: tuple[str, ...], tell: bool
) -> Iterator[tuple[str, Row]]:
    logs_with_labels = labelled(folder, charts)
    for name, (machine, cycles) in real_cycles(folder, charts).items():
        if only not in (None, name):
            continue
        row = Row()
        for first in range(0, max(len(cycles) - learn + 1, 1), learn):
            good = cycles[first : first + learn]
            if len(good) < learn or len(cycles) <= learn:
                continue
            if tell:
                print(f"-- {name} from {', '.join(n for n, _ in good)}")
            charted = learned_machine(good, machine, row, tell)
            if charted is None:
                continue
            for k, (at, series) in enumerate(cycles):
                if not first <= k < first + learn:
                    score_healthy(at, series, charted, row, tell)
            for log in logs_with_labels:
                if log.name.startswith(name) and not any(_holds(series, log) for _, series in good):
                    _put_faults(log, charted, row, faults)
        yield name, row


def _holds(series: Series, log: Labelled) -> bool:
    at_ms = log.phases[0][2] * 1000
    return bool(series.at_ms[0] <= at_ms <= series.at_ms[-1])


def _put_faults(log: Labelled, machine: Machine, row: Row, faults: tuple[str, ...]) -> None:
    """Those of the bench's faults that ask for no limit of the hand-written chart."""
    for fault, put in FAULTS.items():
        if fault.endswith("-prolonged") or (faults and fault not in faults):
            continue
        got = put(log)
        if got:
            score_fault(f"{log.name}--{fault}", got[1], got[0].series, machine, row)


def table(rows: list[tuple[str, Row]], title: str, tell: bool) -> None:
    whole = Row()
    print(f"\n{title}")
    print(f"{'machine':18s} {'charts':>6s} {'cycles':>6s} {'said':>5s} {'hours':>6s} {'false':>5s} {'false/24h':>9s} "
          f"{'faults':>6s} {'found':>6s} {'named':>6s}  what")  # fmt: skip
    for name, row in [*rows, ("all", whole)]:
        if row is not whole:
            for key in ("charts", "refused", "cycles", "said_cycles", "hours", "faults", "found", "named"):
                setattr(whole, key, getattr(whole, key) + getattr(row, key))
            whole.false.update(row.false)
        false = sum(row.false.values())
        share = [f"{x / row.faults:6.3f}" if row.faults else "     -" for x in (row.found, row.named)]
        what = ", ".join(f"{k} {n}" for k, n in row.false.most_common(4))
        rate = 24 * false / row.hours if row.hours else 0.0
        counts = f"{row.charts:6d} {row.cycles:6d} {row.said_cycles:5d} {row.hours:6.1f} {false:5d} {rate:9.2f}"
        print(f"{name:18s} {counts} {row.faults:6d} {share[0]} {share[1]}  {what}")
        if tell:
            for text in row.missed:
                print(f"   missed {text}")


def learned_tables(args: Any) -> None:
    """The tables of charts learned from three good cycles."""
    faults, tell = tuple(args.fault), not args.quiet
    if not args.no_sim:
        rows = list(simulated_rows(args.machine, max(args.healthy, 1), args.learn_from, faults, tell))
        table(rows, f"simulated machines, charts learned from {args.learn_from} good cycles", tell)
    if args.real:
        charts = args.charts or args.real
        rows = list(real_rows(args.real, charts, args.machine, args.learn_from, faults, tell))
        table(rows, f"real traces, charts learned from {args.learn_from} good cycles", tell)
