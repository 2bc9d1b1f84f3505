"""``loadbook assess``: what a log says about a machine, for people or as the contract's JSON."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from loadbook.assessment import assess
from loadbook.files import find_log, find_machine, load_causes, load_machine, load_settings
from loadbook.judge.limits import Limits
from loadbook.logs import read_log
from loadbook.settings import Settings


def register(subparsers: Any) -> None:
    """Add ``assess`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "assess",
        help="recognise and judge the cycles in a log",
        description="Runs the code that runs live over a log. Exit status: 0 nothing wrong, 1 something to attend to, "
        "2 the input cannot be used.",
    )
    parser.add_argument("log", type=Path, metavar="LOG", help="log to assess (CSV, plain or gzipped), or the name of a "
                        "replay log that comes along, as in washer-healthy")  # fmt: skip
    parser.add_argument("--machine", type=Path, metavar="FILE", help="machine file: rating plates and "
                        "programme charts; or the name of one that comes along, as in quay-washer-1")  # fmt: skip
    parser.add_argument("--meter", metavar="NAME", help="the meter to take, where the log has several")
    parser.add_argument("--tariff", metavar="FILE", help="tariff to cost the cycles with")
    parser.add_argument("--config", type=Path, metavar="FILE", help="settings file: the site's nominal supply, its "
                        "further causes and its time zone")  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of text")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Assess, print, and give the exit status."""
    settings = load_settings(args.config) if args.config else Settings()
    folder = args.config.parent if args.config else Path()
    machine = load_machine(find_machine(args.machine)) if args.machine else None
    tariff = None
    if args.tariff:
        from loadbook.tariff_files import load_tariff, tariff_path  # noqa: PLC0415 - slow to import

        tariff = load_tariff(tariff_path(args.tariff))
    causes = load_causes([folder / name for name in settings.causes])
    log = read_log(find_log(args.log), args.meter)
    for note in log.report.notes():
        print(f"{args.log}: {note}", file=sys.stderr)
    result = assess(log, machine, Limits.of_site(settings.site), causes, tariff)
    if args.json:
        print(json.dumps(result.as_contract(), indent=1, ensure_ascii=False, allow_nan=False))
    else:
        from loadbook.assessment_text import as_text  # noqa: PLC0415 - money: slow to import

        print(as_text(result, machine, settings.site.time_zone if args.config else None))
    return 1 if result.verdict == "attention" else 0
