"""Reading a log (contract, section 1): blocks of whole lines by ``columns``, whatever it is not sure of by ``cells``.

A log is damaged in the ways of the field: torn lines, empty blocks after a power cut, seconds twice or in the wrong
order. None of that is an error; it is counted, and the first few rows left out are named.
"""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from loadbook.errors import InputError
from loadbook.logs import cells
from loadbook.logs.columns import find_cells, numbers, times_ms
from loadbook.reading import HOLD_MS, QUANTITIES, Series

_BLOCK = 4 << 20
_NAMED = 5
"""So many of the rows left out are named."""
_LONGEST_RECORD = 50
"""A quote that is not closed after so many lines is a stray one."""
_GZIP = b"\x1f\x8b"


@dataclass(slots=True)
class LogReport:
    """What was found in a log beside its readings. Times are milliseconds since 1970; gaps are (start, end)."""

    rows: int = 0
    skipped: int = 0
    repeated: int = 0
    gaps: list[tuple[int, int]] = field(default_factory=list)
    first_ms: int = 0
    last_ms: int = 0
    skipped_named: list[str] = field(default_factory=list)

    def notes(self) -> list[str]:
        """What to say about rows left out: a line each for the first few, then how many more."""
        more = self.skipped - len(self.skipped_named)
        return self.skipped_named + ([f"{more} more rows left out"] if more > 0 else [])


@dataclass(slots=True)
class Log:
    """A log as read: ``series`` has the readings of one meter in order of time, each instant once."""

    series: Series
    report: LogReport


@dataclass(slots=True)
class _Header:
    """Where the columns are."""

    time: int
    meter: int | None
    values: dict[str, int]
    columns: int


def _header(line: bytes, name: str) -> _Header:
    text = line.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "replace").strip("\r\n")
    try:
        titles = [title.strip() for title in cells.split(text)]
    except cells.BadCellError as bad:
        raise InputError(f"{name}: the header row cannot be read: {bad}") from None
    known = ["time", "meter", *(q.name for q in QUANTITIES)]
    for title in known:
        if titles.count(title) > 1:
            raise InputError(f"{name}: the header row has {title!r} twice; keep one")
    missing = [title for title in ("time", "power_w") if title not in titles]
    if missing:
        raise InputError(
            f"{name}: the header row has no column {' and no '.join(map(repr, missing))} "
            f"(it has {cells.shown(', '.join(titles))}); bring a foreign log into form with `loadbook import`"
        )
    return _Header(
        time=titles.index("time"),
        meter=titles.index("meter") if "meter" in titles else None,
        values={q.name: titles.index(q.name) for q in QUANTITIES if q.name in titles},
        columns=len(titles),
    )


class _Rows:
    """Usable rows as they are found, and what was left out."""

    def __init__(self, header: _Header, wanted: str | None) -> None:
        self.header, self.wanted = header, wanted
        self.meters: dict[str, int] = {}
        self.parts: list[tuple[npt.NDArray[np.int64], ...]] = []
        """(line, at_ms, meter) of each block; ``values`` holds its quantities in the header's order."""
        self.values: list[npt.NDArray[np.float64]] = []
        self.skipped: list[tuple[int, str]] = []
        self.skipped_count = 0
        self._careful: list[tuple[int, int, int, list[float]]] = []

    def code(self, meter: str) -> int:
        return self.meters.setdefault(meter, len(self.meters))

    def skip(self, line: int, reason: str) -> None:
        self.skipped_count += 1
        self.skipped.append((line, reason))
        self.skipped = sorted(self.skipped)[:_NAMED]

    def record(self, line: int, text: str) -> None:
        """One record, read with care."""
        if not text.strip():
            return
        head = self.header
        try:
            found = cells.split(text)
            while len(found) > head.columns and not found[-1].strip():
                found.pop()
            if len(found) != head.columns:
                raise cells.BadCellError(f"{len(found)} cells where the header row has {head.columns}")
            meter = found[head.meter].strip() if head.meter is not None else ""
            if self.wanted is not None and meter and meter != self.wanted:
                self.code(meter)
                return
            at_ms = cells.time_ms(found[head.time])
            numbers_ = [cells.number(found[place], name) for name, place in head.values.items()]
        except cells.BadCellError as bad:
            self.skip(line, str(bad))
            return
        self._careful.append((line, at_ms, self.code(meter), [np.nan if v is None else v for v in numbers_]))

    def lines(self, block: bytes, line: int) -> int:
        """A block of whole lines without quotes, the first of which is ``line``. Returns how many lines it had."""
        block = block.replace(b"\r\n", b"\n")
        head = self.header
        found = find_cells(block, head.columns)
        at_ms, sure = times_ms(found.data, found.starts[:, head.time], found.ends[:, head.time])
        values = np.empty((len(head.values), len(sure)), dtype=np.float64)
        for index, place in enumerate(head.values.values()):
            values[index], known = numbers(found.data, found.starts[:, place], found.ends[:, place])
            sure &= known
        for index in found.odd.tolist():
            text = block[found.line_starts[index] : found.line_ends[index]]
            self.record(line + index, text.decode("utf-8", "replace"))
        for index in found.row[~sure].tolist():
            text = block[found.line_starts[index] : found.line_ends[index]]
            self.record(line + index, text.decode("utf-8", "replace"))
        meter = self._meters(block, found.starts[sure], found.ends[sure])
        self.parts.append((found.row[sure] + line, at_ms[sure], meter))
        self.values.append(values[:, sure])
        self.flush()
        return len(found.line_ends)

    def _meters(
        self, block: bytes, starts: npt.NDArray[np.int64], ends: npt.NDArray[np.int64]
    ) -> npt.NDArray[np.int64]:
        place = self.header.meter
        if place is None or not len(starts):
            return np.full(len(starts), self.code("") if len(starts) else 0, dtype=np.int64)
        codes: dict[bytes, int] = {}
        meter = []
        for start, end in zip(starts[:, place].tolist(), ends[:, place].tolist(), strict=True):
            name = block[start:end]
            if name not in codes:
                codes[name] = self.code(name.decode("utf-8", "replace").strip())
            meter.append(codes[name])
        return np.array(meter, dtype=np.int64)

    def flush(self) -> None:
        """The rows read with care become columns like the others."""
        if self._careful:
            line, at_ms, meter, values = zip(*self._careful, strict=True)
            self.parts.append((np.array(line), np.array(at_ms), np.array(meter)))
            self.values.append(np.array(values, dtype=np.float64).T)
            self._careful = []


def _quoted(rows: _Rows, block: bytes, line: int, last: bool) -> tuple[int, bytes]:
    """A block of whole lines with quotes in it. Returns how many lines were used up, and the unfinished rest."""
    lines = block.split(b"\n")[:-1]
    index = 0
    while index < len(lines):
        size, quotes = 1, lines[index].count(b'"')
        while quotes % 2 and size < _LONGEST_RECORD and index + size < len(lines):
            quotes += lines[index + size].count(b'"')
            size += 1
        if quotes % 2 and size < _LONGEST_RECORD and not last:
            return index, b"".join(part + b"\n" for part in lines[index:])
        if quotes % 2:  # a stray quote costs its own line, not the rest of the log
            size = 1
        rows.record(line + index, b"\n".join(lines[index : index + size]).decode("utf-8", "replace").strip("\r\n"))
        index += size
    rows.flush()
    return index, b""


def _blocks(file: BinaryIO, size: int) -> Iterator[bytes]:
    """The rest of a file in blocks of whole lines, each ending in ``\\n``."""
    rest = b""
    while data := file.read(size):
        cut = data.rfind(b"\n") + 1
        if not cut:
            rest += data
            continue
        yield rest + data[:cut]
        rest = data[cut:]
    if rest:
        yield rest + b"\n"


def _read(file: BinaryIO, name: str, wanted: str | None, block_size: int, careful: bool) -> _Rows:
    top = b"\n"
    line = 0
    while top in (b"\n", b"\r\n"):
        top, line = file.readline(1 << 16), line + 1
    if top.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(f"{name}: this is UTF-16 text; save it as UTF-8")
    if not top.strip():
        raise InputError(f"{name}: the log is empty")
    rows = _Rows(_header(top, name), wanted)
    line, rest = line + 1, b""
    for block in _blocks(file, block_size):
        whole = rest + block
        if careful or b'"' in whole:
            used, rest = _quoted(rows, whole, line, last=False)
        else:
            used, rest = rows.lines(whole, line), b""
        line += used
    if rest:
        _quoted(rows, rest, line, last=True)
    return rows


def _choose(rows: _Rows, name: str, wanted: str | None) -> int | None:
    """The code of the meter whose rows to take; None for all. Rows that name no meter belong to the only one."""
    named = sorted(meter for meter in rows.meters if meter)
    if wanted is None:
        if len(named) > 1:
            raise InputError(f"{name}: has several meters ({', '.join(named)}); choose one with --meter")
        return None
    if wanted not in named:
        has = f"has {', '.join(named)}" if named else "names no meter; leave --meter out"
        raise InputError(f"{name}: has no meter {wanted!r}; it {has}")
    return None if named == [wanted] else rows.meters[wanted]


def _assemble(rows: _Rows, name: str, wanted: str | None) -> Log:
    chosen = _choose(rows, name, wanted)
    empty = np.empty(0, dtype=np.int64)
    line, at_ms, meter = (np.concatenate([part[i] for part in rows.parts] or [empty]) for i in range(3))
    if not len(line):
        why = f"; line {rows.skipped[0][0]}: {rows.skipped[0][1]}" if rows.skipped else ""
        raise InputError(f"{name}: the log has no usable row{why}")
    values = np.concatenate(rows.values, axis=1)
    mine = np.ones(len(line), dtype=bool) if chosen is None else meter == chosen
    line, at_ms, values = line[mine], at_ms[mine], values[:, mine]
    report = LogReport(rows=len(line), skipped=rows.skipped_count)
    report.skipped_named = [f"line {number}: {reason}: left out" for number, reason in rows.skipped]
    if not (np.diff(at_ms) > 0).all() or not (np.diff(line) > 0).all():
        order = np.lexsort((line, at_ms))
        order = order[np.append(np.diff(at_ms[order]) != 0, True)]  # of the same instant, the last wins
        report.repeated = len(line) - len(order)
        at_ms, values = at_ms[order], values[:, order]
    report.first_ms, report.last_ms = int(at_ms[0]), int(at_ms[-1])
    columns = dict(zip(rows.header.values, values, strict=True))
    read = ~np.isnan(columns["power_w"])
    if not read.any():
        raise InputError(f"{name}: the log has no reading: power_w is empty in every row")
    # The ends of the log bound a gap too: rows without power there are time in which nothing was read.
    edges = np.concatenate(([report.first_ms], at_ms[read], [report.last_ms]))
    report.gaps = [(int(edges[i]), int(edges[i + 1])) for i in np.flatnonzero(np.diff(edges) > HOLD_MS)]
    if not read.all():
        at_ms, columns = at_ms[read], {key: value[read] for key, value in columns.items()}
    kept = {key: value for key, value in columns.items() if key == "power_w" or not np.isnan(value).all()}
    named = wanted or next((m for m in rows.meters if m), None)
    return Log(Series(at_ms=at_ms, meter=named, **kept), report)


def read_log(path: Path, meter: str | None = None, *, block_size: int = _BLOCK, careful: bool = False) -> Log:
    """The readings of one meter of the CSV log at ``path``, plain or gzipped. Raises InputError.

    ``careful`` reads every row by the slow definition; the answer is the same.
    """
    name = str(path)
    try:
        with path.open("rb") as file:
            zipped = file.peek(2)[:2] == _GZIP  # a pipe cannot be wound back
            if zipped:
                with gzip.open(file) as unzipped:
                    rows = _read(unzipped, name, meter, block_size, careful)  # type: ignore[arg-type]
            else:
                rows = _read(file, name, meter, block_size, careful)
    except (EOFError, zlib.error, gzip.BadGzipFile) as bad:
        raise InputError(
            f"{name}: the gzip data is damaged ({str(bad).rstrip('.').lower()}); unpack it again"
        ) from None
    except OSError as bad:
        raise InputError(f"{name}: cannot read this log: {(bad.strerror or str(bad)).lower()}") from None
    return _assemble(rows, name, meter)
