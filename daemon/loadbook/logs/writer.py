"""Writing a log in the form of the contract's section 1."""

from __future__ import annotations

import gzip
from collections.abc import Iterable, Iterator
from pathlib import Path

from loadbook.errors import InputError
from loadbook.events import iso
from loadbook.reading import QUANTITIES, Reading, Series


def _lines(readings: Iterable[Reading], names: list[str], decimals: list[int], meter: str | None) -> Iterator[str]:
    yield ",".join(["time", *names, *(["meter"] if meter else [])]) + "\n"
    for reading in readings:
        cells = [str(iso(reading.at_ms))]
        for name, places in zip(names, decimals, strict=True):
            value = getattr(reading, name)
            cells.append("" if value is None else f"{value:.{places}f}")
        if meter:
            cells.append(meter)
        yield ",".join(cells) + "\n"


def write_log(path: Path, series: Series) -> None:
    """Write ``series`` to ``path``, gzipped when the name ends in ``.gz``: only columns that have something in them.

    Values are rounded to the decimals of ``QUANTITIES``. Raises InputError where the file cannot be written.
    """
    used = [q for q in QUANTITIES if q.name == "power_w" or series.column(q.name) is not None]
    lines = _lines(series.readings(), [q.name for q in used], [q.decimals for q in used], series.meter)
    text = "".join(lines).encode()
    try:
        # No name and no time in the gzip header: the same readings give the same bytes.
        path.write_bytes(gzip.compress(text, mtime=0) if path.suffix == ".gz" else text)
    except OSError as bad:
        raise InputError(f"{path}: cannot write this log: {(bad.strerror or str(bad)).lower()}") from None
