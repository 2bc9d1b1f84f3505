"""What the commands that run for years have in common: their arguments and their log."""

from __future__ import annotations

import argparse
import logging
import os
import sys
from pathlib import Path


def add_config(parser: argparse.ArgumentParser) -> None:
    """``--config``, ``--patient`` and ``--verbose``."""
    parser.add_argument("--config", type=Path, metavar="FILE", required=True, help="settings file")
    parser.add_argument(
        "--patient", action="store_true", help="go on when the broker is not there yet; readings wait on disk"
    )
    parser.add_argument("--verbose", action="store_true", help="log what goes well, too")


def begin_logging(args: argparse.Namespace) -> None:
    """Log to standard error; under systemd with its priority marks and without the time, which the journal has."""
    level = logging.INFO if args.verbose else logging.WARNING
    if os.environ.get("JOURNAL_STREAM"):
        form = "%(name)s: %(message)s"
    else:
        form = "%(asctime)s %(levelname)s %(name)s: %(message)s"
    logging.basicConfig(level=level, format=form, stream=sys.stderr)
    for name in ("amqtt", "transitions", "apscheduler"):
        logging.getLogger(name).setLevel(logging.ERROR)
