"""How far a part may stand from its rating plate: IEC 60335-1, clause 10.1, table 1, and the supply's share in it.

Pure. Table 1 is a type-test limit on the whole appliance at rated voltage; a part in a phase is not quite that, so a
finding says "outside what the standard allows a new one", not "dangerous". A part's own ``tolerance`` goes first.
"""

from __future__ import annotations

from dataclasses import dataclass

from loadbook.machine import Component, Machine, Nature

HEATING: tuple[tuple[float, float | None, float, float], ...] = (
    # up to W, low, high, high at least W
    (25.0, None, 0.20, 0.0),
    (200.0, -0.10, 0.10, 0.0),
    (float("inf"), -0.10, 0.05, 20.0),
)
MOTOR: tuple[tuple[float, float | None, float, float], ...] = (
    (25.0, None, 0.20, 0.0),
    (300.0, None, 0.20, 0.0),
    (float("inf"), None, 0.15, 60.0),
)
"""IEC 60335-1 table 1: deviation of power input by nature and size; no lower limit for motors and small parts."""

LEAST_V = 40.0
"""A mean below this mixes supply and none: as good as unknown."""
UNKNOWN_SUPPLY = 0.10
"""Without a voltage nobody knows the supply: plus or minus 10 % (EN 50160)."""


@dataclass(frozen=True, slots=True)
class PlateBand:
    """Watts at rated voltage: ``low`` None where nothing limits it below."""

    low: float | None
    high: float


def plate_band(nature: Nature, rated_w: float) -> PlateBand:
    """Table 1 for a part of that nature and size, W at rated voltage."""
    table = HEATING if nature == "resistive" else MOTOR
    for up_to, low, high, least in table:
        if rated_w <= up_to:
            return PlateBand(None if low is None else rated_w * (1 + low), rated_w + max(rated_w * high, least))
    raise AssertionError("the last row has no end")


def component_band(part: Component) -> PlateBand:
    """A part's band at rated voltage, its own tolerance before the table's."""
    band = plate_band(part.nature, part.rated_w)
    own = part.tolerance
    if own is None:
        return band
    low = band.low if own.low is None else part.rated_w * (1 + own.low)
    high = band.high if own.high is None else part.rated_w * (1 + own.high)
    return PlateBand(low, high)


@dataclass(frozen=True, slots=True)
class Part:
    """A component, worked out once. ``low_w`` and ``high_w`` are its band at rated voltage, ``least_w`` what it must
    draw not to be missing."""

    id: str
    nature: Nature
    rated_w: float
    rated_v: float
    low_w: float | None
    high_w: float
    least_w: float

    @property
    def resistive(self) -> bool:
        return self.nature == "resistive"

    def supply(self, volts: float | None) -> tuple[float, float]:
        """Least and most factor by which the supply changes its draw: (V/Vrated)² of a resistive part."""
        if not self.resistive:
            return 1.0, 1.0
        if volts is None or volts < LEAST_V:
            return (1 - UNKNOWN_SUPPLY) ** 2, (1 + UNKNOWN_SUPPLY) ** 2
        square = (volts / self.rated_v) ** 2
        return square, square

    def band(self, volts: float | None) -> tuple[float | None, float]:
        """Its band at this supply, W."""
        least, most = self.supply(volts)
        return None if self.low_w is None else self.low_w * least, self.high_w * most

    def expected_w(self, volts: float | None) -> float:
        """What its plate says at this supply, W."""
        least, most = self.supply(volts)
        return self.rated_w * (least + most) / 2


def parts_of(machine: Machine, missing_fraction: float) -> tuple[Part, ...]:
    """Every component of a machine, in the file's order."""
    found = []
    for c in machine.components:
        band = component_band(c)
        rated_v = machine.rated_voltage_v(c)
        found.append(Part(c.id, c.nature, c.rated_w, rated_v, band.low, band.high, c.rated_w * missing_fraction))
    return tuple(found)
