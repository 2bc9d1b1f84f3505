"""What every form of meter map says of a quantity: its unit and a factor. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from pydantic import Field, field_validator

from loadbook.checked import Strict
from loadbook.reading import QUANTITIES, QUANTITY_BY_NAME

UNITS: dict[str, tuple[str, float]] = {
    "V": ("V", 1.0),
    "mV": ("V", 0.001),
    "A": ("A", 1.0),
    "mA": ("A", 0.001),
    "W": ("W", 1.0),
    "kW": ("W", 1000.0),
    "VA": ("VA", 1.0),
    "kVA": ("VA", 1000.0),
    "var": ("var", 1.0),
    "kvar": ("var", 1000.0),
    "1": ("1", 1.0),
    "%": ("1", 0.01),
    "Hz": ("Hz", 1.0),
    "Wh": ("Wh", 1.0),
    "kWh": ("Wh", 1000.0),
}
"""Unit as a sheet gives it: the unit of ours it belongs to, and what one of it is in ours."""

Unit = Literal["V", "mV", "A", "mA", "W", "kW", "VA", "kVA", "var", "kvar", "1", "%", "Hz", "Wh", "kWh"]


def check_quantities(given: Mapping[str, Measured]) -> None:
    """Names are ours, units belong to them, and active power is there. Raises ValueError."""
    for name, measured in given.items():
        if name not in QUANTITY_BY_NAME:
            raise ValueError(f"quantity {name!r} is none of {', '.join(q.name for q in QUANTITIES)}")
        wanted = QUANTITY_BY_NAME[name].unit
        if measured.unit is not None and UNITS[measured.unit][0] != wanted:
            fit = ", ".join(unit for unit, (base, _) in UNITS.items() if base == wanted)
            raise ValueError(f"quantity {name!r} cannot be in {measured.unit!r}; it takes {fit}")
    if "power_w" not in given:
        raise ValueError("no quantity power_w; a map needs active power")


class Measured(Strict):
    """What every form says of a quantity: the unit the meter gives it in (after scaling), and a factor."""

    unit: Unit | None = None
    scale: float = Field(default=1.0, description="Value = raw x scale, in unit; negative turns the sign")

    @field_validator("scale")
    @classmethod
    def _not_zero(cls, scale: float) -> float:
        if scale == 0:
            raise ValueError("scale is 0; take it out or give the factor of the meter's sheet")
        return scale

    @property
    def factor(self) -> float:
        """From the number read to our unit."""
        return self.scale * (1.0 if self.unit is None else UNITS[self.unit][1])
