"""Prices by the slot (half-hourly, quarter-hourly, hourly) from the text of a CSV file.

Columns: ``start`` (ISO 8601 with Z or an offset) and ``price_per_kwh`` or ``price_per_mwh``; optional
``export_per_kwh`` or ``export_per_mwh``. One row a slot; slots may be missing (no price is then known there).
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal, InvalidOperation

import numpy as np
import numpy.typing as npt

from loadbook.cost.tariff_file import PRICE_DECIMALS
from loadbook.errors import InputError

SLOT_MINUTES = (5, 10, 15, 20, 30, 60)
_SCALE = Decimal(10) ** PRICE_DECIMALS


@dataclass(frozen=True, slots=True)
class PriceTable:
    """Slots in order: ``start_ms`` int64[n], all of ``slot_ms``; prices per kWh in 1e-8 of the currency, int64[n].

    ``export`` is None when the file has no such column.
    """

    start_ms: npt.NDArray[np.int64]
    price: npt.NDArray[np.int64]
    export: npt.NDArray[np.int64] | None
    slot_ms: int


def scaled(price: Decimal) -> int:
    """A price per kWh in whole 1e-8 of the currency. Raises ValueError when it has more decimals."""
    whole = price * _SCALE
    if whole != whole.to_integral_value():
        raise ValueError(f"{price} has more than {PRICE_DECIMALS} decimals")
    return int(whole)


def _column(header: list[str], stem: str) -> tuple[int, Decimal] | None:
    for suffix, factor in (("_per_kwh", Decimal(1)), ("_per_mwh", Decimal("0.001"))):
        if stem + suffix in header:
            return header.index(stem + suffix), factor
    return None


def instant_ms(text: str) -> int:
    """ISO 8601 with Z or an offset, as ms since 1970. Raises ValueError."""
    at = datetime.fromisoformat(text.strip())
    if at.tzinfo is None:
        raise ValueError(f"{text!r} has no offset from UTC; write it as 2026-01-01T00:00:00Z")
    return round(at.timestamp() * 1000)


def parse_prices(text: str, name: str) -> PriceTable:
    """The slots of a price CSV. ``name`` is the file's name, for errors. Raises InputError naming the row."""
    rows = csv.reader(text.removeprefix("\ufeff").splitlines())
    header = [cell.strip().lower() for cell in next(rows, [])]
    price_at, export_at = _column(header, "price"), _column(header, "export")
    if "start" not in header or price_at is None:
        raise InputError(f"{name}: needs the columns start and price_per_kwh (or price_per_mwh); it has {header}")
    start_at = header.index("start")
    found: dict[int, tuple[int, int]] = {}
    for number, row in enumerate(rows, start=2):
        if not any(cell.strip() for cell in row):
            continue
        try:
            start_ms = instant_ms(row[start_at])
            price = scaled(Decimal(row[price_at[0]].strip()) * price_at[1])
            export = scaled(Decimal(row[export_at[0]].strip()) * export_at[1]) if export_at else 0
        except IndexError:
            raise InputError(f"{name}: row {number}: has {len(row)} cells, fewer than the header; add them") from None
        except InvalidOperation:
            raise InputError(f"{name}: row {number}: the price is no number; write it with a decimal point") from None
        except (ValueError, OverflowError) as bad:
            raise InputError(f"{name}: row {number}: {bad}") from None
        if found.setdefault(start_ms, (price, export)) != (price, export):
            raise InputError(f"{name}: row {number}: a second price for {row[start_at]}; keep one")
    return _table(found, name, export_at is not None)


def _table(found: dict[int, tuple[int, int]], name: str, with_export: bool) -> PriceTable:
    if len(found) < 2:
        raise InputError(f"{name}: has {len(found)} prices; at least two slots are needed to know how long one is")
    start_ms = np.array(sorted(found), dtype=np.int64)
    apart_ms = np.diff(start_ms)
    slot_ms = int(apart_ms.min())
    if slot_ms not in {m * 60_000 for m in SLOT_MINUTES} or bool((apart_ms % slot_ms).any()):
        raise InputError(
            f"{name}: slots are {slot_ms / 60_000:g} min apart at the closest and not all in step; "
            f"use one of {', '.join(str(m) for m in SLOT_MINUTES)} min"
        )
    if bool((start_ms % 60_000).any()):
        raise InputError(f"{name}: slots begin on whole minutes; mend the column start")
    prices = np.array([found[int(at)] for at in start_ms], dtype=np.int64)
    return PriceTable(start_ms, prices[:, 0].copy(), prices[:, 1].copy() if with_export else None, slot_ms)
