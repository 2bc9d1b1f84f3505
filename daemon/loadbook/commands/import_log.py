"""``loadbook import``: another program's log into the form of the contract."""

from __future__ import annotations

import argparse
import gzip
import io
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from loadbook.errors import InputError
from loadbook.events import iso
from loadbook.logs.foreign import DATE_ORDERS, SEPARATORS, Form, Importer, Source, parse_source
from loadbook.logs.writer import csv_lines, write_lines
from loadbook.reading import QUANTITIES, Reading

_NAMED = 5


def register(subparsers: Any) -> None:
    """Add ``import`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "import",
        help="bring another program's log into Loadbook's form",
        description="Reads a table of readings as another program wrote it and writes a log that `loadbook assess` "
        "takes. Rows that cannot be read are left out, counted and the first few named.",
        epilog="Example: loadbook import old.csv new.csv --time Date --time Time --column power_w=Leistung:kW "
        "--decimal , --zone Europe/Berlin",
    )
    parser.add_argument("source", type=Path, metavar="TABLE", help="the foreign log, plain or gzipped")
    parser.add_argument("target", type=Path, metavar="LOG", help="the log to write; gzipped if it ends in .gz")
    parser.add_argument("--time", action="append", metavar="COLUMN", help="column of the time, by title or number from "
                        "1; give it twice where date and time stand apart (default: time)")  # fmt: skip
    parser.add_argument("--column", action="append", metavar="QUANTITY=COLUMN[:UNIT]",
                        help="where a quantity stands, and its unit (default: power_w=power_w)")  # fmt: skip
    parser.add_argument("--separator", choices=SEPARATORS, help="what separates columns (default: seen from row 1)")
    parser.add_argument("--decimal", choices=(".", ","), default=".", help="decimal sign (default: .)")
    parser.add_argument("--thousands", choices=(".", ",", "'", " "), help="sign between thousands (default: none)")
    parser.add_argument("--date-order", choices=DATE_ORDERS, help="order of day, month and year (default: seen from "
                        "the dates, refused where they leave it open)")  # fmt: skip
    parser.add_argument("--zone", metavar="ZONE", help="time zone of times without an offset, as in Europe/Oslo")
    parser.add_argument("--epoch", choices=("s", "ms"), help="times are seconds or milliseconds since 1970")
    parser.add_argument("--encoding", default="utf-8-sig", help="text encoding (default: utf-8), as in cp1252, utf-16")
    parser.add_argument("--no-header", action="store_true", help="the first row is data; name columns by number")
    parser.add_argument("--skip-lines", type=int, default=0, metavar="N", help="lines before the header row")
    parser.add_argument("--meter", help="write this meter's name into every row")
    parser.add_argument("--force", action="store_true", help="write over an existing log")
    parser.set_defaults(run=run)


def _form(args: argparse.Namespace) -> Form:
    sources = [parse_source(text) for text in args.column or ()]
    names = [source.quantity for source in sources]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"--column: {name} is given twice; keep one")
    if "power_w" not in names:
        sources.append(Source("power_w", "power_w", "W"))
    if args.thousands and args.thousands == args.decimal:
        raise InputError("--thousands and --decimal are the same sign; one of them is wrong")
    if args.skip_lines < 0:
        raise InputError("--skip-lines: cannot be below 0")
    zone = None
    if args.zone:
        try:
            zone = ZoneInfo(args.zone)
        except (ValueError, OSError, KeyError):
            raise InputError(f"--zone {args.zone!r}: no such time zone; write it as in Europe/Oslo") from None
    return Form(
        time=tuple(args.time or ("time",)),
        sources=tuple(sources),
        separator=SEPARATORS.get(args.separator),
        decimal=args.decimal,
        thousands=args.thousands or "",
        date_order=args.date_order,
        zone=zone,
        epoch=args.epoch,
        header=not args.no_header,
        skip_lines=args.skip_lines,
    )


def _text(path: Path, encoding: str) -> Iterator[str]:
    """The lines of a foreign log. Raises InputError."""
    try:
        with path.open("rb") as raw:
            zipped = raw.read(2) == b"\x1f\x8b"
            raw.seek(0)
            file: Any = gzip.GzipFile(fileobj=raw) if zipped else raw
            yield from io.TextIOWrapper(file, encoding=encoding)
    except LookupError:
        raise InputError(f"--encoding {encoding!r}: no such encoding") from None
    except UnicodeError:
        raise InputError(f"{path}: this is not {encoding.removesuffix('-sig')} text; try --encoding cp1252") from None
    except EOFError:
        raise InputError(f"{path}: the gzip data ends early; get it again") from None
    except OSError as bad:
        raise InputError(f"{path}: cannot read this log: {(bad.strerror or str(bad)).lower()}") from None


def run(args: argparse.Namespace) -> int:
    """Import, and say what came of it. Exit status 0, or 2 where nothing could be used."""
    if args.target.exists() and not args.force:
        raise InputError(f"{args.target}: exists already; choose another name or add --force")
    importer = Importer(_form(args), str(args.source))
    left_out: list[str] = []
    counted = {"rows": 0, "left_out": 0}
    ends: list[int] = []

    def readings() -> Iterator[Reading]:
        for line, found in importer.rows(_text(args.source, args.encoding)):
            if isinstance(found, str):
                counted["left_out"] += 1
                if len(left_out) < _NAMED:
                    left_out.append(f"line {line}: {found}: left out")
                continue
            counted["rows"] += 1
            ends[:] = [min(ends[0], found.at_ms), max(ends[1], found.at_ms)] if ends else [found.at_ms, found.at_ms]
            yield found
        if not counted["rows"]:
            why = f"; {left_out[0].removesuffix(': left out')}" if left_out else ""
            raise InputError(f"{args.source}: no row could be used{why}")

    names = {source.quantity for source in importer.form.sources}
    write_lines(args.target, csv_lines(readings(), [q for q in QUANTITIES if q.name in names], args.meter))
    for text in left_out:
        print(text, file=sys.stderr)
    more = counted["left_out"] - len(left_out)
    if more:
        print(f"{more} more rows left out", file=sys.stderr)
    order = f", dates read as {importer.order}" if importer.order and not args.date_order else ""
    print(f"{args.target}: {counted['rows']} rows from {iso(ends[0])} to {iso(ends[1])}{order}")
    return 0
