"""Data lines with OBIS codes into values: ``1-0:1.7.0(00.428*kW)``. Pure.

Sources: IEC 62056-21, 6.5 (data set: identifier, value, unit in brackets); IEC 62056-61 (codes); P1 Companion Standard.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from loadbook.meters.measured import UNITS
from loadbook.meters.telegram_maps import CodedQuantity
from loadbook.meters.telegrams.checks import DamagedError, block_check, crc_arc
from loadbook.reading import QUANTITY_BY_NAME

_SET = re.compile(
    r"(?<![\d.:-])(?P<code>(?:\d{1,3}-\d{1,3}:)?\d{1,3}\.\d{1,3}\.\d{1,3})(?:[*&]\d{1,3})?"
    r"\((?P<value>[^()]*)\)(?!\()"
)
_NUMBER = re.compile(r"[+-]?\d{1,15}(?:\.\d{1,9})?")
STX, ETX = b"\x02", b"\x03"
_OUR_UNIT = {unit.lower(): unit for unit in UNITS}


@dataclass(frozen=True, slots=True)
class Value:
    """A number and the unit the telegram gives it, as ``measured.UNITS`` writes it; None where it gives none."""

    number: float
    unit: str | None


def values_of(text: str) -> dict[str, Value]:
    """Every numeric data set of a telegram, by code as written. The first of several wins; what is no number (times,
    texts, profiles) is left out."""
    found: dict[str, Value] = {}
    for match in _SET.finditer(text):
        number, star, unit = match["value"].partition("*")
        if not _NUMBER.fullmatch(number) or (star and unit.lower() not in _OUR_UNIT):
            continue
        found.setdefault(match["code"], Value(float(number), _OUR_UNIT[unit.lower()] if star else None))
    return found


def _take(values: Mapping[str, Value], code: str) -> Value | None:
    """By the whole code, or, where the map leaves A-B open, by C.D.E."""
    if code in values or ":" in code:
        return values.get(code)
    return next((value for name, value in values.items() if name.rpartition(":")[2] == code), None)


def measured(quantities: Mapping[str, CodedQuantity], values: Mapping[str, Value]) -> dict[str, float]:
    """Values by quantity in our units. Raises DamagedError where a unit cannot be that quantity's."""
    result: dict[str, float] = {}
    for name, quantity in quantities.items():
        total: float | None = None
        for code, sign in ((quantity.code, 1.0), (quantity.plus, 1.0), (quantity.minus, -1.0)):
            value = None if code is None else _take(values, code)
            if value is None:
                continue
            unit = value.unit or quantity.unit or QUANTITY_BY_NAME[name].unit
            ours, factor = UNITS[unit]
            if ours != QUANTITY_BY_NAME[name].unit:
                raise DamagedError("not_found", f"code {code} is in {unit}, which is no {name}")
            total = (total or 0.0) + sign * value.number * factor * quantity.scale
        if total is not None and math.isfinite(total):
            result[name] = round(total, 6)
    return result


def p1_text(telegram: bytes, checked: bool = True) -> str:
    """The text of a P1 telegram, from "/" to its end. Raises DamagedError where the CRC does not hold."""
    start, end = telegram.find(b"/"), telegram.rfind(b"!")
    if start < 0 or end < start:
        raise DamagedError("short", "no whole telegram")
    given = telegram[end + 1 :].strip()
    if checked:
        expected = b"%04X" % crc_arc(telegram[start : end + 1])
        if given.upper() != expected:
            raise DamagedError("crc", f"CRC is {given[:8].decode('ascii', 'replace')}, should be {expected.decode()}")
    return telegram[start:end].decode("ascii", "replace")


def readout_text(block: bytes) -> str:
    """The text between STX and ETX of an IEC 62056-21 readout. Raises DamagedError where the BCC does not hold."""
    start = block.find(STX)
    end = block.find(ETX, start)
    if start < 0 or end < 0 or len(block) < end + 2:
        raise DamagedError("short", "no whole data block")
    expected = block_check(block[start + 1 : end + 1])
    if block[end + 1] != expected:
        raise DamagedError("crc", f"BCC is {block[end + 1]:02x}, should be {expected:02x}")
    return block[start + 1 : end].decode("ascii", "replace")
