"""A line of text a module prints, delimited or JSON, into values. Pure."""

from __future__ import annotations

import json
import math
import re
from typing import Any

from loadbook.meters.telegram_maps import Text
from loadbook.meters.telegrams.checks import DamagedError, block_check

_NUMBER = re.compile(r"[+-]?(?:\d{1,15}(?:\.\d{0,12})?|\.\d{1,12})(?:[eE][+-]?\d{1,2})?")


def measured(text: Text, line: bytes) -> dict[str, float] | None:
    """Values by quantity in our units; None for a line that is no reading (another beginning, or empty). Raises
    DamagedError for one that should be and is not: a value that is no number, columns missing, a wrong checksum."""
    stripped = line.strip()
    if not stripped or not stripped.startswith(text.starts.encode()):
        return None
    if text.checksum == "xor":
        stripped = _checked(stripped)
    try:
        content = stripped.decode("utf-8")
    except UnicodeDecodeError:
        raise DamagedError("garbage", "the line is no text") from None
    cells = _json_cells(text, content) if text.format == "json" else _delimited_cells(text, content)
    result: dict[str, float] = {}
    for name, cell in cells.items():
        number = _number(cell, text.decimal)
        if number is not None:
            result[name] = round(number * text.quantities[name].factor, 6)
    return result


def _checked(line: bytes) -> bytes:
    content, star, given = line.rpartition(b"*")
    if not star or len(given) != 2:
        raise DamagedError("short", "the line has no checksum")
    if f"{block_check(content):02X}".encode() != given.upper():
        raise DamagedError("crc", f"checksum {given.decode('ascii', 'replace')} does not hold")
    return content


def _delimited_cells(text: Text, content: str) -> dict[str, Any]:
    cells = content.split(None if text.separator.isspace() else text.separator)
    if text.columns is not None and len(cells) != text.columns:
        raise DamagedError("short", f"{len(cells)} columns where {text.columns} should be")
    taken = {}
    for name, quantity in text.quantities.items():
        assert quantity.column is not None
        if quantity.column > len(cells):
            raise DamagedError("short", f"no column {quantity.column}")
        taken[name] = cells[quantity.column - 1].strip()
    return taken


def _refuse(name: str) -> float:
    raise DamagedError("garbage", f"{name} is no number")


def _json_cells(text: Text, content: str) -> dict[str, Any]:
    try:
        document = json.loads(content, parse_constant=_refuse)
    except (ValueError, RecursionError):
        raise DamagedError("garbage", "the line is no JSON") from None
    if not isinstance(document, dict):
        raise DamagedError("garbage", "the line is no JSON object")
    taken = {}
    for name, quantity in text.quantities.items():
        assert quantity.key is not None
        value: Any = document
        for part in quantity.key.split("."):
            value = value.get(part) if isinstance(value, dict) else None
        taken[name] = value
    return taken


def _number(cell: Any, decimal: str) -> float | None:
    """None where nothing was measured: an empty cell, or null. Raises DamagedError where it is no number."""
    if cell is None or cell == "":
        return None
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        try:
            number = float(cell)
        except OverflowError:
            number = math.inf
    elif isinstance(cell, str) and _NUMBER.fullmatch(plain := cell.replace(decimal, ".")):
        number = float(plain)
    else:
        raise DamagedError("garbage", f"{str(cell)[:20]!r} is no number")
    if not math.isfinite(number) or abs(number) > 1e15:
        raise DamagedError("garbage", f"{number} is out of any range")
    return number
