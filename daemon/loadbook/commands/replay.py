"""``loadbook replay``: a log through the same door as a live meter."""

from __future__ import annotations

import argparse
import json
import logging
import sys
import tempfile
from pathlib import Path
from typing import Any

from loadbook.commands.demo import FASTEST, checked_port, checked_speed


def register(subparsers: Any) -> None:
    """Add ``replay`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "replay",
        help="play a log as if its meter were read now, and watch it on the dashboard",
        description="A simulated Modbus meter plays the log; poller, broker, recorder and dashboard are the real "
        "ones, in a temporary folder. Gaps of the log are silences of the meter. Ctrl-C ends it; nothing stays behind.",
    )
    parser.add_argument("log", type=Path, metavar="LOG", help="log to play, or the name of one that comes along")
    parser.add_argument("--machine", type=Path, required=True, metavar="FILE",
                        help="machine file, or the name of one that comes along")  # fmt: skip
    parser.add_argument("--meter", metavar="NAME", help="the meter to take, where the log has several")
    parser.add_argument("--tariff", metavar="FILE", help="tariff to cost the cycles with")
    parser.add_argument(
        "--wire", choices=("tcp", "rtu"), default="tcp", help="Modbus over the network or a serial line"
    )
    parser.add_argument("--loop", action="store_true", help="begin again when the log is over")
    parser.add_argument("--speed", type=float, default=1.0, metavar="N",
                        help=f"so many seconds pass in one, up to {FASTEST:g} (default: 1)")  # fmt: skip
    parser.add_argument("--port", type=int, metavar="PORT",
                        help="the dashboard's port (default: 8420, or any where that is taken)")  # fmt: skip
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Play until Ctrl-C."""
    speed, port = checked_speed(args.speed), checked_port(args.port)
    from loadbook.files import find_log, find_machine, load_machine  # noqa: PLC0415 - slow to import
    from loadbook.logs import read_log  # noqa: PLC0415
    from loadbook.services.performance import perform  # noqa: PLC0415
    from loadbook.services.stage import Play  # noqa: PLC0415
    from loadbook.tariff_files import load_tariff, tariff_path  # noqa: PLC0415

    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s", stream=sys.stderr)
    machine = find_machine(args.machine)
    load_machine(machine)
    chosen = {}
    if args.tariff:
        path = tariff_path(args.tariff).resolve()
        load_tariff(path)
        chosen["tariff"] = json.dumps(str(path))
    log = read_log(find_log(args.log), args.meter)
    for note in log.report.notes():
        print(f"{args.log}: {note}", file=sys.stderr)
    play = Play("replayed", machine, log.series, args.wire, "float32-big-endian", loop=args.loop)
    with tempfile.TemporaryDirectory(prefix="loadbook-replay-") as folder:
        return perform([play], Path(folder), speed, port, chosen)
