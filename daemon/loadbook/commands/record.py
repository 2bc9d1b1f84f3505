"""``loadbook record``: the recorder alone."""

from __future__ import annotations

import argparse
from typing import Any

from loadbook.clock import clock_of_environment
from loadbook.commands.serving import add_config, begin_logging
from loadbook.files import load_settings
from loadbook.services.life import live
from loadbook.services.run import broker_parts, recorder_parts


def register(subparsers: Any) -> None:
    """Add ``record`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "record",
        help="record what the pollers send",
        description="Takes readings from the broker, stores them, recognises and judges cycles, until told to stop. "
        "Starts the MQTT broker where the settings name none.",
    )
    add_config(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Record until told to stop."""
    begin_logging(args)
    settings = load_settings(args.config)
    folder, clock = args.config.resolve().parent, clock_of_environment()
    return live([*broker_parts(settings), *recorder_parts(settings, folder, clock, patient=args.patient)])
