"""``loadbook run``: all of it in one process."""

from __future__ import annotations

import argparse
from typing import Any

from loadbook.clock import clock_of_environment
from loadbook.commands.serving import add_config, begin_logging
from loadbook.files import load_settings
from loadbook.services.life import live
from loadbook.services.run import all_parts


def register(subparsers: Any) -> None:
    """Add ``run`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "run",
        help="run poller, recorder and dashboard in one process",
        description="Reads the meters, records, recognises, judges and serves the dashboard until told to stop. Starts "
        "an MQTT broker of its own where the settings name none.",
    )
    add_config(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run until told to stop."""
    begin_logging(args)
    settings = load_settings(args.config)
    return live(all_parts(settings, args.config.resolve().parent, clock_of_environment(), patient=args.patient))
