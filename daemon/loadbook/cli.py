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
from typing import TYPE_CHECKING, NoReturn

from loadbook import __version__
from loadbook.errors import LoadbookError

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

COMMANDS: dict[str, str] = {
    "assess": "assess",
    "backup": "backup",
    "compare": "compare",
    "cost": "cost",
    "demo": "demo",
    "import": "import_log",
    "learn": "learn",
    "loads": "loads",
    "meter": "meter",
    "poll": "poll",
    "programmes": "programmes",
    "record": "record",
    "replay": "replay",
    "run": "run",
    "settings": "settings_file",
    "statement": "statement",
    "when": "when",
}
"""Command -> module in ``loadbook.commands``."""


class OneLineParser(argparse.ArgumentParser):
    """Says what is wrong with the arguments in one line, as every other error is."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help\n")


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """The whole command line; with ``only``, what the command of that name needs (the others take time to import)."""
    parser = OneLineParser(
        prog="loadbook",
        description="Records what washing appliances draw through a whole programme, recognises each phase, judges it "
        "against the rating plates, says what to check next and what the cycle cost.",
        epilog="Loadbook measures energy. A pass here is not a safety test.",
    )
    parser.add_argument("--version", action="version", version=f"loadbook {__version__}")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    points: dict[str, EntryPoint] = {}
    if only not in COMMANDS:
        from importlib.metadata import entry_points  # noqa: PLC0415 - looks at every package

        points = {point.name: point for point in entry_points(group="loadbook.commands")}
    for name in [only] if only in COMMANDS or only in points else sorted({*COMMANDS, *points}):
        module = (
            importlib.import_module(f"loadbook.commands.{COMMANDS[name]}") if name in COMMANDS else points[name].load()
        )
        module.register(subparsers)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Exit status: 0 well, 1 something to attend to, 2 the input cannot be used, 130 interrupted."""
    argv = sys.argv[1:] if argv is None else argv
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "1")  # we use none; looking for them reads every package's files
    args = build_parser(argv[0] if argv else None).parse_args(argv)
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
