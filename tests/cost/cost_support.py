"""Tariffs and logs the tests of the cost room share."""

from __future__ import annotations

from datetime import datetime

import numpy as np
from loadbook.cost import Tariff, parse_tariff
from loadbook.reading import Series

# Power of a washing machine by the minute: the CREST domestic electricity demand model (Richardson, Thomson, Infield
# and Clifford, Energy and Buildings 42, 2010), appliance "washing machine".
CREST_W = np.repeat([73, 2056, 73, 250, 73, 250, 73, 250, 73, 250, 568], [8, 21, 63, 2, 11, 2, 11, 2, 11, 2, 5]).astype(
    float
)

FLAT = '[[period.band]]\nname = "flat"\nprice = 0.36\n'
TWO = (
    '[[period.band]]\nname = "night"\nprice = 0.2107\nfrom = "22:00"\nto = "06:00"\n'
    '[[period.band]]\nname = "day"\nprice = 0.3891\n'
)


def tariff_of(bands: str, zone: str = "Europe/Berlin", rest: str = "") -> Tariff:
    """A tariff of one period from 2020 on; ``rest`` are the period's other keys."""
    head = f'[tariff]\nid = "t"\nname = "T"\ncurrency = "EUR"\ntime_zone = "{zone}"\n'
    return parse_tariff(f"{head}[[period]]\nfrom = 2020-01-01\n{rest}{bands}", "t.toml")


def ms(text: str) -> int:
    """ISO 8601 as milliseconds since 1970."""
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def series_of_watts(watts: np.ndarray, start_ms: int, step_ms: int = 1000, **more: np.ndarray) -> Series:
    """A log of evenly spaced readings."""
    at_ms = start_ms + step_ms * np.arange(len(watts), dtype=np.int64)
    return Series(at_ms=at_ms, power_w=np.asarray(watts, dtype=float), **more)


def crest(start_ms: int) -> Series:
    """The profile at a reading a second, and the reading that ends it."""
    return series_of_watts(np.append(np.repeat(CREST_W, 60), 0.0), start_ms)
