"""What one reading is: its quantities, their units, and a whole log of readings as columns.

Pure: no clock, no file. Everything in the house that speaks of a measured quantity takes its name from here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields

import numpy as np
import numpy.typing as npt

HOLD_MS = 10_000
"""A reading is held for at most this long; after that nobody knows what the machine draws (contract, section 4)."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measured quantity: its column name (unit last), its unit as SenML writes it, and the decimals kept."""

    name: str
    unit: str
    senml_name: str
    senml_unit: str
    decimals: int
    help: str
    senml_factor: float = 1.0
    """SenML's unit per ours: energy goes out in J, since Wh is a secondary unit (RFC 8798, section 3)."""


QUANTITIES: tuple[Quantity, ...] = (
    Quantity("power_w", "W", "power", "W", 2, "active power"),
    Quantity("voltage_v", "V", "voltage", "V", 2, "RMS voltage"),
    Quantity("current_a", "A", "current", "A", 3, "RMS current"),
    Quantity("frequency_hz", "Hz", "frequency", "Hz", 3, "supply frequency"),
    Quantity("power_factor", "1", "power_factor", "/", 3, "active over apparent power"),
    Quantity("energy_wh", "Wh", "energy", "J", 1, "the meter's own counter of active energy", 3600.0),
    Quantity("reactive_power_var", "var", "reactive_power", "var", 2, "reactive power"),
    Quantity("apparent_power_va", "VA", "apparent_power", "VA", 2, "apparent power"),
)
QUANTITY_BY_NAME: dict[str, Quantity] = {q.name: q for q in QUANTITIES}


@dataclass(frozen=True, slots=True)
class Reading:
    """What a meter said at one instant. ``None`` means *not read*; a reading without ``power_w`` proves only presence.

    ``at_ms`` is integer milliseconds since 1970-01-01T00:00:00Z.
    """

    at_ms: int
    power_w: float | None = None
    voltage_v: float | None = None
    current_a: float | None = None
    frequency_hz: float | None = None
    power_factor: float | None = None
    energy_wh: float | None = None
    reactive_power_var: float | None = None
    apparent_power_va: float | None = None


Column = npt.NDArray[np.float64]


@dataclass(slots=True)
class Series:
    """Many readings as columns of one length ``n``, in order of time.

    ``at_ms`` is int64[n]; each quantity is float64[n] with NaN for *not read*, or ``None`` when the whole column is
    absent.
    """

    at_ms: npt.NDArray[np.int64]
    power_w: Column
    voltage_v: Column | None = None
    current_a: Column | None = None
    frequency_hz: Column | None = None
    power_factor: Column | None = None
    energy_wh: Column | None = None
    reactive_power_var: Column | None = None
    apparent_power_va: Column | None = None
    meter: str | None = field(default=None)

    def __len__(self) -> int:
        return int(self.at_ms.shape[0])

    def column(self, name: str) -> Column | None:
        """The column of a quantity by its name in ``QUANTITIES``."""
        result: Column | None = getattr(self, name)
        return result

    def slice(self, first: int, last: int) -> Series:
        """Rows ``first`` up to but not including ``last``, as views."""
        cut = {q.name: (None if (c := self.column(q.name)) is None else c[first:last]) for q in QUANTITIES}
        return Series(at_ms=self.at_ms[first:last], meter=self.meter, **cut)  # type: ignore[arg-type]

    def readings(self) -> Iterator[Reading]:
        """The same, one reading at a time."""
        names = [f.name for f in fields(Reading) if f.name != "at_ms" and self.column(f.name) is not None]
        columns = [np.asarray(self.column(name)).tolist() for name in names]
        for at_ms, *values in zip(self.at_ms.tolist(), *columns, strict=True):
            yield Reading(at_ms, **{n: v for n, v in zip(names, values, strict=True) if v == v})


def series_of(readings: list[Reading], meter: str | None = None) -> Series:
    """Columns from single readings; a column nobody filled is ``None`` (``power_w`` always exists)."""
    at_ms = np.array([r.at_ms for r in readings], dtype=np.int64)
    columns: dict[str, Column | None] = {}
    for quantity in QUANTITIES:
        values = [getattr(r, quantity.name) for r in readings]
        if quantity.name != "power_w" and all(v is None for v in values):
            columns[quantity.name] = None
        else:
            columns[quantity.name] = np.array([np.nan if v is None else v for v in values], dtype=np.float64)
    return Series(at_ms=at_ms, meter=meter, **columns)  # type: ignore[arg-type]
