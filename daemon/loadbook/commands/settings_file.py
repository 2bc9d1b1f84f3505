"""``loadbook settings``: the settings with their defaults, and whether a settings file is sound."""

from __future__ import annotations

import argparse
import json
import tomllib
from pathlib import Path
from typing import Any

from loadbook.errors import InputError
from loadbook.files import load_causes, load_machines, load_settings
from loadbook.settings_text import settings_file, settings_table


def register(subparsers: Any) -> None:
    """Add ``settings`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "settings",
        help="print every setting with its default, or check a settings file",
        description="Prints a settings file with every setting, its unit, its default and what it is, to start from. "
        "With --check: reads a settings file and every file it names.",
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--check", type=Path, metavar="FILE", help="say in one line what is wrong with this file")
    what.add_argument("--set", action="append", metavar="NAME=VALUE", help="print the file with this setting changed, "
                      "as in --set dashboard.port=8500; may be given often")  # fmt: skip
    what.add_argument("--markdown", action="store_true", help="print the settings as a Markdown table")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print or check. Exit status 0, or 2 where the file or one that it names cannot be used."""
    if args.markdown:
        print(settings_table(), end="")
    elif args.check is None:
        print(settings_file(dict(_chosen(text) for text in args.set or ())), end="")
    else:
        print(check(args.check))
    return 0


def _chosen(text: str) -> tuple[str, str]:
    """``broker.host=127.0.0.1`` as a name and a TOML value: what is no TOML value by itself is text."""
    name, equals, value = text.partition("=")
    if not equals:
        raise InputError(f"--set {text!r}: write NAME=VALUE")
    try:
        tomllib.loads(f"x = {value}")
    except tomllib.TOMLDecodeError:
        value = json.dumps(value, ensure_ascii=False)
    return name, value


def check(path: Path) -> str:
    """Read a settings file and every file it names; a line that says what is there. Raises InputError."""
    from loadbook.meters.lines import lines_with_maps  # noqa: PLC0415 - slow to import: pymodbus
    from loadbook.tariff_files import load_tariff, tariff_path  # noqa: PLC0415 - slow to import: holidays, currencies

    settings, folder = load_settings(path), path.parent
    machines = load_machines(settings, folder)
    load_causes([folder / name for name in settings.causes])
    if settings.tariff:
        load_tariff(tariff_path(settings.tariff, folder))
    lines_with_maps(settings, folder)
    meters = settings.meters()
    return f"{path}: fine: {len(settings.lines)} lines, {len(meters)} meters, {len(machines)} machines"
