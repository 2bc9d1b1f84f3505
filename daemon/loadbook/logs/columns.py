"""Whole blocks of a plain CSV log as columns, with numpy. Pure: takes bytes.

Only rows whose cells have the usual form are understood here (``2026-03-01T08:00:00.5+01:00``, ``-12.34``, nothing);
``sure`` says which. Every other row is left to ``cells``, so that being fast never decides what a log means.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from loadbook.logs.cells import BIGGEST

Bytes = npt.NDArray[np.uint8]
Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

_WIDEST_NUMBER = 16
_MOST_DIGITS = 15
"""A mantissa of so many digits and the power of ten below it are exact doubles; their quotient is rounded once, as
``float()`` does."""
_POWERS = 10.0 ** np.arange(_WIDEST_NUMBER + 1)
_DAYS_BEFORE_MONTH = np.array([0, 0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334], dtype=np.int64)
_DAYS_IN_MONTH = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dtype=np.int64)


@dataclass(slots=True)
class Cells:
    """Where the cells of a block lie: ``starts`` and ``ends`` are int64[n, columns], ``row`` the line index of each.

    ``odd`` are the lines with another number of cells than the header; ``line_starts`` and ``line_ends`` are of all.
    """

    data: Bytes
    starts: Ints
    ends: Ints
    row: Ints
    odd: Ints
    line_starts: Ints
    line_ends: Ints


def find_cells(block: bytes, columns: int) -> Cells:
    """The cells of a block of whole lines (each ends in ``\\n``, no quotes, no ``\\r``)."""
    data = np.frombuffer(block, dtype=np.uint8)
    ends = np.flatnonzero((data == ord(",")) | (data == ord("\n")))
    last = np.flatnonzero(data[ends] == ord("\n"))
    counts = np.diff(last, prepend=-1)
    even = counts == columns
    line_ends = ends[last]
    starts = np.concatenate(([0], ends[:-1] + 1)).astype(np.int64)
    if not even.all():
        keep = np.repeat(even, counts)
        starts, ends = starts[keep], ends[keep]
    return Cells(
        data=data,
        starts=starts.reshape(-1, columns),
        ends=ends.reshape(-1, columns),
        row=np.flatnonzero(even),
        odd=np.flatnonzero(~even),
        line_starts=np.concatenate(([0], line_ends[:-1] + 1)).astype(np.int64),
        line_ends=line_ends,
    )


def numbers(data: Bytes, starts: Ints, ends: Ints) -> tuple[npt.NDArray[np.float64], Mask]:
    """Decimal numbers as float64[n], NaN where a cell is empty; and of which ones this is sure."""
    width = ends - starts
    sure = width <= _WIDEST_NUMBER
    mantissa = np.zeros(len(width), dtype=np.int64)
    digits = np.zeros(len(width), dtype=np.int64)
    decimals = np.zeros(len(width), dtype=np.int64)
    dotted = np.zeros(len(width), dtype=bool)
    negative = np.zeros(len(width), dtype=bool)
    for place in range(min(int(width.max(initial=0)), _WIDEST_NUMBER)):
        inside = place < width
        cell = data[np.where(inside, starts + place, 0)]
        digit = cell - np.uint8(ord("0"))
        is_digit = inside & (digit <= 9)
        is_dot = inside & (cell == ord(".")) & ~dotted
        fine = is_digit | is_dot | ~inside
        if place == 0:
            negative = inside & (cell == ord("-"))
            fine |= negative
        sure &= fine
        mantissa = np.where(is_digit, mantissa * 10 + digit, mantissa)
        digits += is_digit
        decimals += is_digit & dotted
        dotted |= is_dot
    sure &= ((digits > 0) & (digits <= _MOST_DIGITS)) | (width == 0)
    value = np.where(width == 0, np.nan, mantissa / _POWERS[decimals])
    np.negative(value, out=value, where=negative)
    sure &= ~(np.abs(value) > BIGGEST)
    return value, sure


def times_ms(data: Bytes, starts: Ints, ends: Ints) -> tuple[Ints, Mask]:
    """Times as int64[n] milliseconds since 1970; and of which ones this is sure. Cells of one width go together."""
    width = ends - starts
    at_ms = np.zeros(len(width), dtype=np.int64)
    sure = np.zeros(len(width), dtype=bool)
    for size in np.flatnonzero(np.bincount(np.minimum(width, 64), minlength=1)):
        if not 20 <= size <= 35:
            continue
        these = np.flatnonzero(width == size)
        cells = data[starts[these, None] + np.arange(size)]
        at_ms[these], sure[these] = _times_of_one_width(cells)
    return at_ms, sure


def _digits(cells: Bytes, first: int, count: int, sure: Mask) -> Ints:
    """The number in ``count`` digits from ``first``; takes ``sure`` from rows that have something else there."""
    value = np.zeros(len(cells), dtype=np.int64)
    for place in range(first, first + count):
        digit = cells[:, place] - np.uint8(ord("0"))
        sure &= digit <= 9
        value = value * 10 + digit
    return value


def _times_of_one_width(cells: Bytes) -> tuple[Ints, Mask]:
    """``YYYY-MM-DDTHH:MM:SS[.f…](Z|±HH:MM)``, uint8[n, width]."""
    size = cells.shape[1]
    sure = np.ones(len(cells), dtype=bool)
    for place, sign in ((4, "-"), (7, "-"), (10, "T"), (13, ":"), (16, ":")):
        sure &= cells[:, place] == ord(sign)
    year, month, day = _digits(cells, 0, 4, sure), _digits(cells, 5, 2, sure), _digits(cells, 8, 2, sure)
    hour, minute, second = _digits(cells, 11, 2, sure), _digits(cells, 14, 2, sure), _digits(cells, 17, 2, sure)
    sure &= (year >= 1970) & (year < 2400) & (month >= 1) & (month <= 12)
    sure &= (hour < 24) & (minute < 60) & (second < 60)
    month = np.where(sure, month, 1)
    leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    sure &= (day >= 1) & (day <= _DAYS_IN_MONTH[month] + (leap & (month == 2)))
    before = year - 1
    days = before * 365 + before // 4 - before // 100 + before // 400 - 719_162
    days += _DAYS_BEFORE_MONTH[month] + (leap & (month > 2)) + day - 1

    utc = cells[:, -1] == ord("Z")
    offset_min = np.zeros(len(cells), dtype=np.int64)
    if utc.all():
        zone_at = size - 1
    else:
        zone_at = size - 6
        sure &= ~utc & ((cells[:, -6] == ord("+")) | (cells[:, -6] == ord("-"))) & (cells[:, -3] == ord(":"))
        hours, minutes = _digits(cells, size - 5, 2, sure), _digits(cells, size - 2, 2, sure)
        sure &= (hours < 24) & (minutes < 60)
        offset_min = (hours * 60 + minutes) * np.where(cells[:, -6] == ord("-"), -1, 1)

    ms = np.zeros(len(cells), dtype=np.int64)
    if zone_at > 20:
        sure &= cells[:, 19] == ord(".")
        _digits(cells, 20, zone_at - 20, sure)
        ms = _digits(cells, 20, min(zone_at - 20, 3), sure) * 10 ** (3 - min(zone_at - 20, 3))
    elif zone_at != 19:
        sure[:] = False
    seconds = days * 86_400 + hour * 3600 + minute * 60 + second - offset_min * 60
    return seconds * 1000 + ms, sure
