"""``loadbook poll``: reads the meters of the settings and sends what they say to the recorder."""

from __future__ import annotations

import argparse
from typing import Any

from loadbook.clock import clock_of_environment
from loadbook.commands.serving import add_config, begin_logging
from loadbook.files import load_settings
from loadbook.services.life import live
from loadbook.services.poller import Poller
from loadbook.services.sending import Sending


def register(subparsers: Any) -> None:
    """Add ``poll`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "poll",
        help="read the meters alone",
        description="Reads every meter of the settings once per interval and sends the readings over MQTT until told "
        "to stop. Readings wait on disk until the recorder has stored them. A meter that does not answer is a gap with "
        "its reason; the next tick tries again.",
    )
    add_config(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Poll until told to stop."""
    begin_logging(args)
    settings, folder, clock = load_settings(args.config), args.config.resolve().parent, clock_of_environment()
    return live([Poller(settings, folder, clock, lambda: Sending(settings, folder, clock, patient=args.patient))])
