"""``loadbook learn``: a programme chart from logs of known-good cycles, shown as a difference before it is saved."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Any

from loadbook.errors import InputError
from loadbook.files import find_log, find_machine, load_machine, load_settings, read_text
from loadbook.judge.limits import Limits
from loadbook.learning import Result, learn_from
from loadbook.logs import read_log
from loadbook.machine import parse_machine
from loadbook.machine_text import difference, with_chart
from loadbook.settings import Site


def register(subparsers: Any) -> None:
    """Add ``learn`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "learn",
        help="learn a programme chart from logs of good cycles",
        description="Writes or refines a programme chart from logs of cycles that are known to be good, all of one "
        "programme. The machine file needs its rating plates. Three cycles or more make a chart to rely on. Shows the "
        "difference; writes it only with --save. Exit status: 0, or 2 where the input cannot be used.",
    )
    parser.add_argument(
        "logs", type=Path, nargs="+", metavar="LOG", help="logs of good cycles, from standby to standby"
    )
    parser.add_argument("--machine", type=Path, required=True, metavar="FILE", help="machine file to write to, or the "
                        "name of one that comes along")  # fmt: skip
    parser.add_argument("--programme", metavar="ID", help="id of the programme: one the file has is refined, a new one "
                        "is learned; needed where the file has several")  # fmt: skip
    parser.add_argument("--name", metavar="TEXT", help="name of a new programme, as people call it")
    parser.add_argument("--meter", metavar="NAME", help="the meter to take, where a log has several")
    parser.add_argument("--config", type=Path, metavar="FILE", help="settings file, for the site's nominal supply")
    parser.add_argument("--save", action="store_true", help="write the machine file")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Learn, show, and save where asked."""
    path = find_machine(args.machine)
    text, machine = read_text(path, "machine file"), load_machine(path)
    programme_id = args.programme or _only_programme(machine.programmes, path)
    site = load_settings(args.config).site if args.config else Site()
    logs = []
    for given in args.logs:
        log = read_log(find_log(given), args.meter)
        for note in log.report.notes():
            print(f"{given}: {note}", file=sys.stderr)
        logs.append((str(given), log.series))
    result = learn_from(logs, machine, programme_id, args.name, Limits.of_site(site))
    after = with_chart(text, result.machine, result.programme)
    parse_machine(after, str(path))
    print(summary(result))
    print()
    shown = difference(text, after, path.name)
    print(shown or "Nothing changes: the chart already says so.\n", end="")
    if not shown:
        return 0
    if args.save:
        _write(path, after)
        print(f"\nSaved in {path}.")
    else:
        print("\nNot saved; add --save to write it.")
    return 0


def _only_programme(programmes: Any, path: Path) -> str:
    if len(programmes) > 1:
        ids = ", ".join(p.id for p in programmes)
        raise InputError(f"{path}: has several programmes ({ids}); say which with --programme ID")
    return str(programmes[0].id) if programmes else "programme-1"


def summary(result: Result) -> str:
    """What was learned, a line a phase, then what could not be said."""
    what = "Refined" if result.refined else "Learned"
    cycles = "1 good cycle" if result.cycles == 1 else f"{result.cycles} good cycles"
    lines = [f"{what} {result.programme.id!r} from {cycles}:", ""]
    lines.append(f"  {'phase':<14} {'stage':<6} {'seen, s':>13}   {'allowed, s':>13}   parts")
    for phase in result.programme.phases:
        seen = result.durations_s.get(phase.id, [])
        span = f"{min(seen):.0f} to {max(seen):.0f}" if seen else "not seen"
        parts = [*phase.on, *(f"{p} (on and off)" for p in phase.pulsing)]
        optional = "; optional" if phase.optional else ""
        lines.append(
            f"  {phase.id:<14} {phase.stage:<6} {span:>13}   {f'{phase.min_s:.0f} to {phase.max_s:.0f}':>13}   "
            f"{', '.join(parts) or 'quiet'}{optional}"
        )
    lines += [f"  Note: {note}." for note in result.notes]
    return "\n".join(lines)


def _write(path: Path, text: str) -> None:
    """Write beside, then put in place: a power cut leaves the old file or the new one."""
    beside = path.with_name(f".{path.name}.new")
    try:
        mode = path.stat().st_mode & 0o777
        with beside.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.chmod(mode)
        beside.replace(path)
    except OSError as bad:
        beside.unlink(missing_ok=True)
        raise InputError(
            f"{path}: cannot write: {(bad.strerror or str(bad)).lower()}; give a file you may write"
        ) from None
