"""``loadbook serve``: the dashboard alone."""

from __future__ import annotations

import argparse
from typing import Any


def register(subparsers: Any) -> None:
    """Add ``serve`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser("serve", help="serve the dashboard alone")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Serve until told to stop."""
    raise NotImplementedError
