"""What one cell of a log means: times, numbers, and the records of quoted CSV. Pure: takes text.

This is the definition; ``columns`` must agree with it (a property test holds that).
"""

from __future__ import annotations

import csv
import re
from datetime import UTC, datetime, timedelta

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?", re.ASCII)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)
BIGGEST = 1e12
"""No meter says more than this of anything; a larger number is garbage."""


class BadCellError(ValueError):
    """``str()`` says what is wrong with the row, in a few words."""


def shown(text: str) -> str:
    """A cell as an error line may show it: short, and nothing that moves a terminal's cursor."""
    return ascii(text if len(text) <= 40 else text[:37] + "...")


def time_ms(cell: str) -> int:
    """ISO 8601 with ``Z`` or an offset as milliseconds since 1970 (finer fractions are cut). Raises BadCellError."""
    text = cell.strip()
    if not text:
        raise BadCellError("the time is empty")
    if text.endswith("z"):
        text = text[:-1] + "Z"
    leap_ms = 0
    if text[16:19] == ":60":  # a leap second (RFC 3339, 5.7) is the one after :59, as the system's clock counts
        text, leap_ms = text[:17] + "59" + text[19:], 1000
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise BadCellError(f"{shown(text)} is not an ISO 8601 time") from None
    if at.utcoffset() is None:
        raise BadCellError(f"the time {shown(text)} has no offset from UTC (add Z or +01:00)")
    return (at - _EPOCH) // _MS + leap_ms


def number(cell: str, column: str) -> float | None:
    """A decimal number; None where the cell is empty. Raises BadCellError."""
    text = cell.strip()
    if not text:
        return None
    if not _NUMBER.fullmatch(text):
        raise BadCellError(f"{column} {shown(text)} is not a number")
    value = float(text)
    if abs(value) > BIGGEST:
        raise BadCellError(f"{column} {shown(text)} is beyond what a meter can say")
    return value


def split(line: str) -> list[str]:
    """The cells of one record, quoted or not. Raises BadCellError."""
    if '"' not in line:
        return line.split(",")
    try:
        rows = list(csv.reader([line], strict=True))
    except csv.Error as bad:
        raise BadCellError(f"the quotes do not match ({bad})") from None
    return rows[0] if rows else []
