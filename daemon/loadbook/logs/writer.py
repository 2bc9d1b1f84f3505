"""Writing a log in the form of the contract's section 1."""

from __future__ import annotations

import gzip
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from loadbook.errors import InputError
from loadbook.events import iso
from loadbook.reading import QUANTITIES, Quantity, Reading, Series


def csv_lines(readings: Iterable[Reading], quantities: Sequence[Quantity], meter: str | None = None) -> Iterator[str]:
    """The lines of a log, header row first. Values are rounded to the decimals of ``QUANTITIES``."""
    yield ",".join(["time", *(q.name for q in quantities), *(["meter"] if meter else [])]) + "\n"
    forms = [(q.name, f"{{:.{q.decimals}f}}".format) for q in quantities]
    for reading in readings:
        cells = [str(iso(reading.at_ms))]
        for name, form in forms:
            value = getattr(reading, name)
            cells.append("" if value is None else form(value))
        if meter:
            cells.append(meter)
        yield ",".join(cells) + "\n"


def write_lines(path: Path, lines: Iterable[str]) -> None:
    """Write a log, gzipped when its name ends in ``.gz``; whole or not at all. Raises InputError."""
    half = path.with_name(path.name + ".part")
    try:
        with half.open("wb") as file:
            if path.suffix == ".gz":  # no name, no time in the header: the same readings give the same bytes
                with gzip.GzipFile(filename="", mode="wb", fileobj=file, mtime=0) as zipped:
                    zipped.writelines(line.encode() for line in lines)
            else:
                file.writelines(line.encode() for line in lines)
        half.replace(path)
    except OSError as bad:
        raise InputError(f"{path}: cannot write this log: {(bad.strerror or str(bad)).lower()}") from None
    finally:
        half.unlink(missing_ok=True)


def write_log(path: Path, series: Series) -> None:
    """Write ``series`` to ``path``: only columns that have something in them. Raises InputError."""
    used = [q for q in QUANTITIES if q.name == "power_w" or series.column(q.name) is not None]
    write_lines(path, csv_lines(series.readings(), used, series.meter))
