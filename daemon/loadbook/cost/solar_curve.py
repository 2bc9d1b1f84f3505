"""A generation curve from the text of a CSV file: what the roof gives when no meter measures it.

Two forms. By clock time, the same every day (a usual day)::

    clock,power_w
    06:00,0
    09:00,1200

or by instant (a forecast, a recorded year), each row holding until the next, at most ``SLOT_MAX_MS``::

    start,power_w
    2026-06-10T04:00Z,150

A ``month`` column (1-12) beside ``clock`` gives each month its own usual day; a month without rows has none.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from loadbook.cost import local_time
from loadbook.cost.price_table import instant_ms
from loadbook.cost.tariff_file import minute_of_day
from loadbook.errors import InputError

SLOT_MAX_MS = 3_600_000
MOST_W = 1_000_000

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class SolarSpans:
    """A range of time in pieces of one generated power: ``edges_ms`` int64[n + 1], ``power_mw`` int64[n] in mW."""

    edges_ms: Ints
    power_mw: Ints


@dataclass(frozen=True, slots=True)
class SolarCurve:
    """Generated power over time: either a usual day for each month, or instants."""

    zone: ZoneInfo
    days: dict[int, list[tuple[int, int]]]
    """Month (0: all of them) -> ``(minute of the day, mW)``, in order."""
    at_ms: Ints
    power_mw: Ints

    def spans(self, start_ms: int, end_ms: int) -> SolarSpans:
        """The range in pieces of one power; nothing is generated where the file says nothing."""
        edges, power = self._of_days(start_ms, end_ms) if self.days else self._of_instants(start_ms, end_ms)
        return SolarSpans(np.array([*edges, end_ms], dtype=np.int64), np.array(power, dtype=np.int64))

    def _of_days(self, start_ms: int, end_ms: int) -> tuple[list[int], list[int]]:
        edges: list[int] = []
        power: list[int] = []
        for begin, end, offset in local_time.stretches(start_ms, end_ms, self.zone):
            for day, midnight_ms in local_time.days(begin, end, offset):
                for minute, mw in self._day(day):
                    at = max(midnight_ms + minute * 60_000, begin)
                    if at >= end:
                        break
                    if edges and edges[-1] == at:
                        power[-1] = mw
                    else:
                        edges.append(at)
                        power.append(mw)
        return edges, power

    def _day(self, day: date) -> list[tuple[int, int]]:
        rows = self.days.get(day.month, self.days.get(0, []))
        return rows if rows and rows[0][0] == 0 else [(0, 0), *rows]

    def _of_instants(self, start_ms: int, end_ms: int) -> tuple[Ints, Ints]:
        first, last = np.searchsorted(self.at_ms, (start_ms - SLOT_MAX_MS, end_ms))
        at, mw = self.at_ms[first:last], self.power_mw[first:last]
        ends = np.minimum(at + SLOT_MAX_MS, np.append(at[1:], np.iinfo(np.int64).max))
        edges = np.unique(np.concatenate(([start_ms], at, ends)))
        edges = edges[(edges >= start_ms) & (edges < end_ms)]
        if len(at) == 0:
            return edges, np.zeros(len(edges), dtype=np.int64)
        row = np.maximum(np.searchsorted(at, edges, side="right") - 1, 0)
        return edges, np.where((edges >= at[row]) & (edges < ends[row]), mw[row], 0)


def parse_solar(text: str, name: str, time_zone: str) -> SolarCurve:
    """A curve from the text of a CSV. ``time_zone`` is whose clock the column ``clock`` means. Raises InputError."""
    rows = csv.reader(text.removeprefix("\ufeff").splitlines())
    header = [cell.strip().lower() for cell in next(rows, [])]
    by_clock = "clock" in header
    if "power_w" not in header or ("start" in header) == by_clock:
        raise InputError(f"{name}: needs the columns power_w and either clock or start; it has {header}")
    days: dict[int, dict[int, int]] = {}
    instants: dict[int, int] = {}
    for number, row in enumerate(rows, start=2):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) < len(header):
            raise InputError(f"{name}: row {number}: has {len(row)} cells, fewer than the header; add them")
        cells = dict(zip(header, (cell.strip() for cell in row), strict=False))
        try:
            mw = _milliwatts(cells["power_w"])
            if by_clock:
                days.setdefault(_month(cells.get("month", "")), {})[minute_of_day(cells["clock"])] = mw
            else:
                instants[instant_ms(cells["start"])] = mw
        except (ValueError, OverflowError) as bad:
            raise InputError(f"{name}: row {number}: {bad}") from None
    if not days and not instants:
        raise InputError(f"{name}: has no row; add at least one")
    at_ms = np.array(sorted(instants), dtype=np.int64)
    if bool((at_ms % 60_000).any()):
        raise InputError(f"{name}: the column start must hold whole minutes; mend it")
    power = np.array([instants[int(at)] for at in at_ms], dtype=np.int64)
    return SolarCurve(ZoneInfo(time_zone), {m: sorted(d.items()) for m, d in days.items()}, at_ms, power)


def _milliwatts(text: str) -> int:
    try:
        watts = Decimal(text)
    except InvalidOperation:
        raise ValueError(f"power_w is {text!r}; write watts with a decimal point") from None
    if not watts.is_finite() or not 0 <= watts <= MOST_W:
        raise ValueError(f"power_w is {text}; it must be from 0 to {MOST_W} W")
    return round(watts * 1000)


def _month(text: str) -> int:
    if not text:
        return 0
    if not text.isdecimal() or not 1 <= int(text) <= 12:
        raise ValueError(f"month is {text!r}; write 1 to 12, or leave it empty for all")
    return int(text)
