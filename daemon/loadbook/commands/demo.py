"""``loadbook demo``: two invented machines on real Modbus meters, and everything else as it runs for real."""

from __future__ import annotations

import argparse
import logging
import sys
import tempfile
from pathlib import Path
from typing import Any

from loadbook.errors import InputError

FASTEST = 60.0


def register(subparsers: Any) -> None:
    """Add ``demo`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "demo",
        help="show everything at work with two invented machines",
        description="Plays two machines through real Modbus meters (one serial, one on the network): a washer "
        "that is well and a dishwasher with a fault. Everything runs in a temporary folder; Ctrl-C ends it and leaves "
        "nothing behind.",
    )
    parser.add_argument("--speed", type=float, default=20.0, metavar="N",
                        help=f"so many seconds pass in one, up to {FASTEST:g} (default: 20)")  # fmt: skip
    parser.add_argument("--port", type=int, metavar="PORT",
                        help="the dashboard's port (default: 8420, or any where that is taken)")  # fmt: skip
    parser.set_defaults(run=run)


def checked_speed(speed: float) -> float:
    """``speed`` if it is one. Raises InputError."""
    if not 0.1 <= speed <= FASTEST:
        raise InputError(f"--speed {speed:g}: must be from 0.1 to {FASTEST:g}")
    return speed


def checked_port(port: int | None) -> int | None:
    """``port`` if it is one. Raises InputError."""
    if port is not None and not 1 <= port <= 65535:
        raise InputError(f"--port {port}: must be from 1 to 65535")
    return port


def run(args: argparse.Namespace) -> int:
    """Play until Ctrl-C."""
    speed, port = checked_speed(args.speed), checked_port(args.port)
    from loadbook.files import find_log, find_machine  # noqa: PLC0415 - slow to import
    from loadbook.logs import read_log  # noqa: PLC0415
    from loadbook.services.performance import perform  # noqa: PLC0415
    from loadbook.services.stage import Play  # noqa: PLC0415

    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s", stream=sys.stderr)
    names = ("washer-healthy", "dishwasher-healthy", "dishwasher-half-heater")
    washer, dish, half = (read_log(find_log(Path(name))).series for name in names)
    plays = [
        Play("quay-meter-1", find_machine(Path("quay-washer-1")), washer, "rtu", "float32-big-endian",
             earlier=(washer, washer, washer), loop=True),
        Play("quay-meter-2", find_machine(Path("harbour-dish-2")), half, "tcp", "sunspec",
             earlier=(dish, dish), loop=True),
    ]  # fmt: skip
    print(f"Starting: two machines at {speed:g} times their speed, everything invented; Ctrl-C ends it.", flush=True)
    with tempfile.TemporaryDirectory(prefix="loadbook-demo-") as folder:
        return perform(plays, Path(folder), speed, port, {
            "site.name": '"quay-street"', "site.title": '"Quay Street laundry"', "tariff": '"quay-flat"',
        })  # fmt: skip
