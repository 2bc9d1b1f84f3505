"""The command ``loadbook``: finds the commands, reads the arguments, turns errors into one line. Thin.

A command is a module with ``register(subparsers)``, which adds its parser and sets ``run`` to a function that takes
the parsed arguments and returns an exit status. Those of the daemon's package are listed here; other packages add
theirs through the entry point group ``loadbook.commands``.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from importlib.metadata import entry_points

from loadbook import __version__
from loadbook.errors import LoadbookError

COMMANDS: tuple[str, ...] = (
    "assess",
    "import_log",
    "settings_file",
)


def build_parser() -> argparse.ArgumentParser:
    """The whole command line."""
    parser = argparse.ArgumentParser(
        prog="loadbook",
        description="Records what washing appliances draw through a whole programme, recognises each phase, judges it "
        "against the rating plates, says what to check next and what the cycle cost.",
        epilog="Loadbook measures energy. A pass here is not a safety test.",
    )
    parser.add_argument("--version", action="version", version=f"loadbook {__version__}")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in COMMANDS:
        importlib.import_module(f"loadbook.commands.{name}").register(subparsers)
    for point in sorted(entry_points(group="loadbook.commands"), key=lambda p: p.name):
        point.load().register(subparsers)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Exit status: 0 well, 1 something to attend to, 2 the input cannot be used, 130 interrupted."""
    args = build_parser().parse_args(argv)
    try:
        status: int = args.run(args)
    except LoadbookError as bad:
        print(f"loadbook: {bad}", file=sys.stderr)
        return bad.exit_status
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 141
    return status
