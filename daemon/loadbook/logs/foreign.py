"""Other people's logs: columns under other names, separators, decimal commas, date orders, times without an offset.

Pure: takes text, gives readings or the reason why a row is left out. Nothing is guessed that the file does not prove:
a date that may be read in two ways is refused until the order is given.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from loadbook.errors import InputError
from loadbook.logs.cells import BadCellError, number, shown, time_ms
from loadbook.reading import QUANTITY_BY_NAME, Reading

_PREFIX = {"m": 0.001, "": 1.0, "k": 1000.0, "M": 1_000_000.0}
UNITS: dict[str, dict[str, float]] = {
    name: {prefix + base: factor for prefix, factor in _PREFIX.items()}
    for name, base in {
        "power_w": "W",
        "voltage_v": "V",
        "current_a": "A",
        "frequency_hz": "Hz",
        "energy_wh": "Wh",
        "reactive_power_var": "var",
        "apparent_power_va": "VA",
    }.items()
} | {"power_factor": {"1": 1.0, "%": 0.01}}
"""For every quantity: the units a column may be in, and what to multiply by."""

SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t", "space": " ", "bar": "|"}
DATE_ORDERS = ("ymd", "dmy", "mdy")

_STAMP = re.compile(
    r"(\d{1,4})[-./ ](\d{1,2})[-./ ](\d{1,4})[T, ]+(\d{1,2})[:.h](\d{2})"
    r"(?:[:.m](\d{2})(?:[.,](\d{1,9}))?)?\s*([aApP]\.?[mM]\.?)?",
    re.ASCII,
)
_MS = timedelta(milliseconds=1)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EARLIER_OK = timedelta(seconds=60)
"""Rows may be out of order by so much before an hour that comes twice is taken for its second time."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where one quantity comes from: the column's title or its number from 1, and its unit."""

    quantity: str
    column: str
    unit: str


@dataclass(frozen=True, slots=True)
class Form:
    """How a foreign log is written. ``time`` are the columns that make up the time, joined by a space."""

    time: tuple[str, ...]
    sources: tuple[Source, ...]
    separator: str | None = None
    decimal: str = "."
    thousands: str = ""
    date_order: str | None = None
    zone: ZoneInfo | None = None
    epoch: str | None = None
    header: bool = True
    skip_lines: int = 0


def parse_source(text: str) -> Source:
    """``power_w=Leistung`` or ``power_w=Leistung:kW``. Raises InputError."""
    quantity, equals, rest = text.partition("=")
    if quantity not in QUANTITY_BY_NAME or not equals or not rest:
        known = ", ".join(QUANTITY_BY_NAME)
        raise InputError(f"--column {shown(text)}: write QUANTITY=COLUMN or QUANTITY=COLUMN:UNIT, QUANTITY of {known}")
    units = UNITS[quantity]
    column, colon, unit = rest.rpartition(":")
    if not colon:
        return Source(quantity, rest, next(u for u, factor in units.items() if factor == 1.0))
    if unit not in units:
        raise InputError(f"--column {shown(text)}: its unit may be {', '.join(units)}")
    return Source(quantity, column, unit)


def find_separator(line: str) -> str:
    """The separator of a header row: the one that cuts it into most columns. Raises InputError when nothing does."""
    best = max((s for s in SEPARATORS.values() if s != " "), key=line.count)
    if not line.count(best):
        if line.strip().count(" "):
            return " "
        raise InputError("nothing separates the columns of the first row; name it with --separator")
    return best


@dataclass(slots=True)
class Importer:
    """Reads a foreign log row by row. ``order`` is the date order used, once known."""

    form: Form
    name: str
    order: str | None = None
    _places: list[tuple[int, Source]] = field(default_factory=list)
    _time: list[int] = field(default_factory=list)
    _last: datetime | None = None

    def rows(self, lines: Iterable[str]) -> Iterator[tuple[int, Reading | str]]:
        """(line number, reading or the reason it is left out). Raises InputError where the whole file is no use."""
        numbered = iter(enumerate(lines, start=1))
        for _ in range(self.form.skip_lines):
            next(numbered, None)
        first = next(((n, line) for n, line in numbered if line.strip()), None)
        if first is None:
            raise InputError(f"{self.name}: the log is empty")
        line_number, top = first
        try:
            separator = self.form.separator or find_separator(top)
        except InputError as bad:
            raise InputError(f"{self.name}: {bad}") from None
        titles = self._split(top.removeprefix("\ufeff"), separator)
        self._find_columns(titles)
        body: Iterable[tuple[int, str]] = numbered
        if not self.form.header:
            body = _chain((line_number, top.removeprefix("\ufeff")), numbered)
        if not self.form.epoch:
            body = self._settle_date_order(iter(body), separator)
        for at, line in body:
            if line.strip():
                try:
                    yield at, self._reading(self._split(line, separator), len(titles))
                except BadCellError as bad:
                    yield at, str(bad)

    def _split(self, line: str, separator: str) -> list[str]:
        if separator == " ":
            return line.split()
        try:
            found = next(csv.reader([line.rstrip("\r\n")], delimiter=separator), [])
        except csv.Error as bad:
            raise BadCellError(f"the quotes do not match ({bad})") from None
        return [cell.strip() for cell in found]

    def _find_columns(self, titles: Sequence[str]) -> None:
        def place(column: str) -> int:
            if self.form.header and titles.count(column) == 1:
                return titles.index(column)
            if column.isascii() and column.isdigit() and 1 <= int(column) <= len(titles):
                return int(column) - 1
            has = ", ".join(titles) if self.form.header else f"{len(titles)} columns; count from 1"
            what = "more than one column" if titles.count(column) > 1 else "no column"
            raise InputError(f"{self.name}: has {what} {column!r} (it has {shown_list(has)})")

        self._time = [place(column) for column in self.form.time]
        self._places = [(place(source.column), source) for source in self.form.sources]

    def _stamp(self, cells: Sequence[str]) -> str:
        return " ".join(cells[place] for place in self._time)

    def _settle_date_order(self, body: Iterator[tuple[int, str]], separator: str) -> Iterator[tuple[int, str]]:
        """Read on until some date proves the order (a day above 12, a year of four digits first)."""
        self.order = self.form.date_order
        held: list[tuple[int, str]] = []
        doubtful: str | None = None
        while self.order is None:
            row = next(body, None)
            if row is None:
                break
            held.append(row)
            try:
                cells = self._split(row[1], separator)
            except BadCellError:
                continue
            if len(cells) <= max(self._time):
                continue
            match = _STAMP.match(self._stamp(cells))
            if match is None:
                continue
            one, two = match[1], match[2]
            if len(one) == 4:
                self.order = "ymd"
            elif len(match[3]) != 4 and doubtful is None and len(match[3]) <= 2:
                doubtful = match[0]  # 01/02/03: even the year's place is open
            elif int(one) > 12:
                self.order = "dmy"
            elif int(two) > 12:
                self.order = "mdy"
            else:
                doubtful = doubtful or match[0]
        if self.order is None and doubtful is not None:
            raise InputError(
                f"{self.name}: nothing says whether {shown(doubtful)} starts with the day; give --date-order"
            )
        self.order = self.order or "ymd"
        yield from held
        yield from body

    def _reading(self, cells: Sequence[str], columns: int) -> Reading:
        while len(cells) > columns and not cells[-1]:
            cells = cells[:-1]
        if len(cells) != columns:
            raise BadCellError(f"{len(cells)} cells where the first row has {columns}")
        values = {source.quantity: self._value(cells[place], source) for place, source in self._places}
        return Reading(at_ms=self._at_ms(self._stamp(cells)), **values)

    def _value(self, cell: str, source: Source) -> float | None:
        text = cell.removesuffix(source.unit).strip()
        if self.form.thousands:
            text = text.replace(self.form.thousands, "")
        if self.form.decimal != ".":
            if "." in text:
                raise BadCellError(f"{source.quantity} {shown(cell)} has a point where commas are decimal")
            text = text.replace(self.form.decimal, ".")
        value = number(text, source.quantity)
        if value is None:
            return None
        return round(value * UNITS[source.quantity][source.unit], QUANTITY_BY_NAME[source.quantity].decimals)

    def _at_ms(self, text: str) -> int:
        if self.form.epoch:
            value = number(text.replace(",", "."), "time")
            if value is None:
                raise BadCellError("the time is empty")
            return round(value * (1000 if self.form.epoch == "s" else 1))
        match = _STAMP.fullmatch(text)
        if match is None:
            return time_ms(text)  # ISO 8601 with an offset, or a line that says what is wrong
        local = self._local(match, text)
        if self.form.zone is None:
            raise BadCellError(f"the time {shown(text)} has no offset; give --zone")
        return self._resolve(local, self.form.zone, text)

    def _local(self, match: re.Match[str], text: str) -> datetime:
        parts = dict(zip(self.order or "ymd", (match[1], match[2], match[3]), strict=True))
        year = int(parts["y"]) + (2000 if len(parts["y"]) <= 2 else 0)
        hour = int(match[4])
        if match[8]:
            if not 1 <= hour <= 12:
                raise BadCellError(f"{shown(text)} is not a time")
            hour = hour % 12 + (12 if match[8][0] in "pP" else 0)
        micros = int((match[7] or "0").ljust(6, "0")[:6])
        try:
            return datetime(year, int(parts["m"]), int(parts["d"]), hour, int(match[5]), int(match[6] or 0), micros)
        except ValueError:
            raise BadCellError(f"{shown(text)} is no time with the date order {self.order}") from None

    def _resolve(self, local: datetime, zone: ZoneInfo, text: str) -> int:
        """Local time to UTC; an hour that comes twice (the clock goes back) is told apart by what came before."""
        utc = local.replace(tzinfo=zone).astimezone(UTC)
        if utc.astimezone(zone).replace(tzinfo=None) != local:
            raise BadCellError(f"the time {shown(text)} does not exist in {zone.key} (the clock goes forward)")
        later = local.replace(tzinfo=zone, fold=1).astimezone(UTC)
        if later > utc and self._last is not None and utc < self._last - _EARLIER_OK:
            utc = later
        self._last = max(utc, self._last) if self._last is not None else utc
        return (utc - _EPOCH) // _MS


def shown_list(text: str) -> str:
    """Column titles as an error line may show them."""
    return text if len(text) <= 120 and text.isprintable() else ascii(text[:117] + "...")


def _chain(first: tuple[int, str], rest: Iterable[tuple[int, str]]) -> Iterator[tuple[int, str]]:
    yield first
    yield from rest
