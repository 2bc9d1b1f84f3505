"""``loadbook statement``: each machine's loads, energy, cost and price per load in a month."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path
from typing import Any

from loadbook.commands.sources import add_arguments, now_ms, opened
from loadbook.cost.statement import parse_month
from loadbook.costing import site_statement
from loadbook.errors import InputError
from loadbook.paper import pdf_of_html
from loadbook.statement_text import as_csv, as_html, as_text


def register(subparsers: Any) -> None:
    """Add ``statement`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "statement",
        help="loads, energy and cost of each machine in a month",
        description="The month's statement: for each machine its loads, kWh, cost and price per load; as text, as CSV "
        "(a row a load) or as PDF (a page a machine).",
    )
    add_arguments(parser, solar=False, json=False)
    parser.add_argument("--month", metavar="YYYY-MM", help="the month (default: this one; with LOG the last in it)")
    parser.add_argument("--csv", type=Path, metavar="FILE", help="write one row a load to FILE")
    parser.add_argument("--pdf", type=Path, metavar="FILE", help="write the statement as PDF to FILE")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print or write the statement. Exit status 0, or 2 where the input cannot be used."""
    with opened(args, all_machines=True) as site:
        end_ms = site.source.last_ms() if args.log is not None else None
        at_ms = now_ms() if end_ms is None else end_ms
        month = parse_month(args.month or f"{datetime.fromtimestamp(at_ms / 1000, site.zone):%Y-%m}", site.zone)
        title = site.settings.site.title
        statement = site_statement(site.sources, month, title, site.costs.tariff, at_ms)
        if args.csv:
            _write(args.csv, as_csv(statement).encode("utf-8"))
        if args.pdf:
            _write(args.pdf, pdf_of_html(as_html(statement)))
        if not args.csv and not args.pdf:
            print(as_text(statement))
    return 0


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as bad:
        raise InputError(f"{path}: cannot be written: {(bad.strerror or str(bad)).lower()}") from None
    print(f"{path} written")
