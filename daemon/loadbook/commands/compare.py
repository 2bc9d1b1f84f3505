"""``loadbook compare``: two logs of one machine, phase by phase: before and after a repair, this week against last."""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from pathlib import Path
from typing import Any

from loadbook.errors import InputError
from loadbook.files import find_log, find_machine, load_machine, load_settings
from loadbook.judge.limits import Limits
from loadbook.learning import found_in
from loadbook.logs import read_log
from loadbook.machine import Machine
from loadbook.recognise.compare import Comparison, Measuring, PhaseCompared, compare, measuring
from loadbook.settings import Site

UNITS = {"time_s": ("time", "s", 0), "energy_kwh": ("energy", "kWh", 3), "power_w": ("level", "W", 0),
         "resistance_ohm": ("heater resistance", "ohm", 2)}  # fmt: skip


def register(subparsers: Any) -> None:
    """Add ``compare`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "compare",
        help="compare two logs of one machine, phase by phase",
        description="Compares the complete cycles of two logs, phase by phase: time, energy, level and heater "
        "resistance, and says what differs beyond the normal spread. Exit status: 0 nothing differs beyond it, 1 "
        "something does, 2 the input cannot be used.",
    )
    parser.add_argument("log_a", type=Path, metavar="LOG_A", help="the earlier log, or the one to hold against")
    parser.add_argument("log_b", type=Path, metavar="LOG_B", help="the later log")
    parser.add_argument("--machine", type=Path, metavar="FILE", help="machine file; with its charts the phases are "
                        "matched by name")  # fmt: skip
    parser.add_argument("--programme", metavar="ID", help="the programme to compare, where the logs hold several")
    parser.add_argument("--meter", metavar="NAME", help="the meter to take, where a log has several")
    parser.add_argument("--config", type=Path, metavar="FILE", help="settings file, for the site's nominal supply")
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of text")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Compare, print, and give the exit status."""
    machine = load_machine(find_machine(args.machine)) if args.machine else None
    limits = Limits.of_site(load_settings(args.config).site if args.config else Site())
    sides = [_cycles(path, args.meter, machine, limits) for path in (args.log_a, args.log_b)]
    a, b = _same_programme(sides[0], sides[1], args)
    result = compare(a, b)
    if args.json:
        print(json.dumps(result.as_dict(), indent=1, allow_nan=False))
    else:
        print(as_text(result, str(args.log_a), str(args.log_b)))
    return 1 if result.differs else 0


def _cycles(path: Path, meter: str | None, machine: Machine | None, limits: Limits) -> list[Measuring]:
    log = read_log(find_log(path), meter)
    for note in log.report.notes():
        print(f"{path}: {note}", file=sys.stderr)
    found = [c for c in found_in(log.series, machine, limits).cycles if c.outcome == "completed"]
    if not found:
        raise InputError(f"{path}: no complete cycle in it to compare; give a log from standby to standby")
    return [measuring(cycle, log.series) for cycle in found]


def _same_programme(
    a: list[Measuring], b: list[Measuring], args: argparse.Namespace
) -> tuple[list[Measuring], list[Measuring]]:
    """The cycles of one programme on both sides: the one asked for, or the one both have most of."""
    counts = Counter(m.cycle.programme for m in a) & Counter(m.cycle.programme for m in b)
    wanted = args.programme or (counts.most_common(1)[0][0] if counts else None)
    left = [m for m in a if m.cycle.programme == wanted]
    right = [m for m in b if m.cycle.programme == wanted]
    if not left or not right:
        said = f"the programme {wanted!r}" if wanted else "a programme in common"
        raise InputError(f"{args.log_a}, {args.log_b}: do not both hold a complete cycle of {said}; give other logs")
    skipped = len(a) + len(b) - len(left) - len(right)
    if skipped:
        print(f"{skipped} cycles of other programmes left out; choose with --programme", file=sys.stderr)
    return left, right


def as_text(result: Comparison, name_a: str, name_b: str) -> str:
    """For people: a table, and in words what differs."""
    lines = [f"A: {name_a}", f"B: {name_b}"]
    programme = f"{result.programme}: " if result.programme else ""
    lines.append(f"{programme}{_count(result.whole.a_cycles)} against {_count(result.whole.b_cycles)}")
    lines += ["", f"{'':14}{'time, s':>17}{'energy, kWh':>19}{'level, W':>17}{'heater, ohm':>17}"]
    lines.append(f"{'':14}" + f"{'A':>9}{'B':>8}" + f"{'A':>11}{'B':>8}" + f"{'A':>9}{'B':>8}" + f"{'A':>9}{'B':>8}")
    for row in (result.whole, *result.phases):
        cells = f"{row.id:<14}"
        for quantity, (_, _, digits) in UNITS.items():
            first = 11 if quantity == "energy_kwh" else 9
            cells += f"{_figure(row.a, quantity, digits):>{first}}{_figure(row.b, quantity, digits):>8}"
        lines.append(cells.rstrip() + ("  <" if row.differs else ""))
    said = [text for row in (result.whole, *result.phases) for text in _words(row)]
    lines.append("")
    if said:
        lines.append("Beyond the normal spread (marked <):")
        lines += [f"  {text}" for text in said]
    else:
        lines.append("Nothing differs beyond the normal spread.")
    return "\n".join(lines)


def _count(n: int) -> str:
    return "1 cycle" if n == 1 else f"{n} cycles"


def _figure(side: dict[str, Any], quantity: str, digits: int) -> str:
    return f"{side[quantity].value:.{digits}f}" if quantity in side else "-"


def _words(row: PhaseCompared) -> list[str]:
    out = []
    for quantity in row.differs:
        if quantity == "presence":
            out.append(f"{row.id}: only in {'A' if row.a_cycles else 'B'}")
            continue
        what, unit, digits = UNITS[quantity]
        a, b = row.a[quantity].value, row.b[quantity].value
        change = f" ({(b / a - 1) * 100:+.0f} %)" if a else ""
        out.append(f"{row.id}: {what} {a:.{digits}f} {unit} to {b:.{digits}f} {unit}{change}")
    return out
