"""``loadbook backup``: copies of what is in the store while it is written; checks it; puts a copy back."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from loadbook.files import load_settings
from loadbook.services.housekeeping import check
from loadbook.store.backup import FILES, SECRET, back_up, restore


def register(subparsers: Any) -> None:
    """Add ``backup`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "backup",
        help="copy the ledger, the readings and who may sign in while they are written, or put a copy back",
        description="Copies the ledger, the readings and who may sign in (hashes, in a file of mode 0600; nobody's "
        "session) into a new folder below --to while the recorder runs. With "
        "--restore, checks a copy and puts it back (stop the services first); what was there is kept as "
        "*.before-restore. With --check, only checks the live files.",
    )
    parser.add_argument("--config", type=Path, metavar="FILE", required=True, help="settings file")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--to", type=Path, metavar="FOLDER", help="make a copy below this folder")
    what.add_argument("--restore", type=Path, metavar="FOLDER", help="put this copy back")
    what.add_argument("--check", action="store_true", help="check the live files")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Exit status 1 when a check finds damage."""
    settings = load_settings(args.config)
    data = args.config.resolve().parent / settings.store.folder
    if args.restore:
        for path in restore(args.restore, data):
            print(f"put back: {path}")
        return 0
    if args.to:
        print(f"Backup in {back_up(data, args.to, datetime.now(UTC), print)}")
        return 0
    damaged = 0
    for name, _ in FILES:
        if name in SECRET and not (data / name).exists():
            continue  # nobody was ever made known here
        problem = check(data / name)
        print(f"{data / name}: {problem or 'sound'}")
        damaged += bool(problem)
    return 1 if damaged else 0
