"""``loadbook loads``: what switches in a log, with no plate known: watts, how, and whether resistive."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

from loadbook.errors import InputError
from loadbook.files import find_log
from loadbook.logs import read_log
from loadbook.recognise.explain import levels_of
from loadbook.recognise.loads import Load, discover

WORDS = {"steady": "stays on", "cycling": "on and off by minutes", "strokes": "in strokes"}
VALVE_W = 18.0


def register(subparsers: Any) -> None:
    """Add ``loads`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "loads",
        help="list the loads that switch in a log",
        description="Discovers the loads in a log without any plate: their watts, how they switch, and whether they "
        "are resistive where the meter has voltage and current. --toml prints them as the start of a machine file.",
    )
    parser.add_argument("log", type=Path, metavar="LOG", help="log to look through")
    parser.add_argument("--meter", metavar="NAME", help="the meter to take, where the log has several")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print one JSON object instead of text")
    form.add_argument("--toml", action="store_true", help="print [[component]] tables to start a machine file from")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """List the loads."""
    log = read_log(find_log(args.log), args.meter)
    for note in log.report.notes():
        print(f"{args.log}: {note}", file=sys.stderr)
    series = log.series
    loads = discover(levels_of(series, int(series.at_ms[0]), int(series.at_ms[-1])))
    if args.json:
        print(json.dumps({"loads": [asdict(load) for load in loads]}, indent=1, allow_nan=False))
        return 0
    if not loads:
        raise InputError(f"{args.log}: nothing switches in it; give a log with a whole cycle")
    print(as_toml(loads) if args.toml else as_text(loads))
    return 0


def as_text(loads: list[Load]) -> str:
    """A line a load."""
    lines = [f"{'load, W':>9}  {'from, to':>13}  {'times':>5}  {'usually on':>10}  {'power factor':>12}  "]
    for load in loads:
        factor = "-" if load.power_factor is None else f"{load.power_factor:.2f}"
        kind = {True: "resistive", False: "not resistive", None: ""}[load.resistive]
        said = "; ".join(word for word in (WORDS[load.how], kind) if word)
        span = f"{load.low_w:.0f} to {load.high_w:.0f}"
        lines.append(
            f"{load.power_w:9.0f}  {span:>13}  {load.switched:5d}  {f'{load.usual_on_s:.0f} s':>10}  "
            f"{factor:>12}  {said}"
        )
    return "\n".join(lines)


def as_toml(loads: list[Load]) -> str:
    """The start of a machine file. Watts seen are no rating: the plates have the last word."""
    lines = ["# As seen in the log, not from the plates: put in the plates' watts and names, and leave out what is"]
    lines.append("# one part seen twice (a pump draws more under water, a motor more with its load).")
    for number, load in enumerate(loads, 1):
        nature = "resistive" if load.resistive else "solenoid" if load.power_w <= VALVE_W else "motor"
        if load.resistive is None and load.power_w >= 600 and load.how != "strokes":
            nature = "resistive"
        lines += [
            "",
            "[[component]]",
            f'id = "part-{number}"',
            f'nature = "{nature}"',
            f"rated_w = {load.power_w:.0f}.0",
        ]
    return "\n".join(lines)
