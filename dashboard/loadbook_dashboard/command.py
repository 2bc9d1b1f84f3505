"""``loadbook serve``: the dashboard alone."""

from __future__ import annotations

import argparse
import logging
import sys
from pathlib import Path
from typing import Any

from loadbook.files import load_settings
from loadbook.services.life import live
from loadbook.services.web import WebPart


def register(subparsers: Any) -> None:
    """Add ``serve`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "serve",
        help="serve the dashboard alone",
        description="Serves the dashboard from the store and the broker of the settings. It reads; what it wants "
        "changed it asks of the recorder. On loopback it is free; before it listens wider, make people known with "
        "`loadbook people add`.",
    )
    parser.add_argument(
        "--config", type=Path, required=True, metavar="FILE", help="settings file (config/loadbook.toml)"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Serve until told to stop."""
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s", stream=sys.stderr)
    settings = load_settings(args.config)
    return live([WebPart(settings, args.config.resolve().parent)])
