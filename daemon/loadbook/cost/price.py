"""What readings cost under a tariff: energy in each price band times its price, exactly."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from loadbook.cost.energy_curve import UJ_PER_KWH, EnergyCurve
from loadbook.cost.money import exact_text, shown
from loadbook.cost.tariff import NO_BAND, PRICE_SCALE, Tariff
from loadbook.reading import Series


@dataclass(frozen=True, slots=True)
class BandShare:
    """What fell into one price band: energy, and its price with tax and without."""

    name: str
    energy_uj: int
    gross: Fraction
    net: Fraction

    @property
    def energy_kwh(self) -> float:
        return self.energy_uj / UJ_PER_KWH


@dataclass(frozen=True, slots=True)
class Cost:
    """The cost of some energy. Costs of one currency add up exactly.

    ``unpriced_uj`` flowed when the tariff knows no price; while it is not zero there is no cost.
    """

    currency: str
    bands: tuple[BandShare, ...] = ()
    unpriced_uj: int = 0

    @property
    def energy_uj(self) -> int:
        return self.unpriced_uj + sum(band.energy_uj for band in self.bands)

    @property
    def energy_kwh(self) -> float:
        return self.energy_uj / UJ_PER_KWH

    @property
    def gross(self) -> Fraction | None:
        """What is to be paid, tax included; None when some of it has no known price."""
        return None if self.unpriced_uj else sum((band.gross for band in self.bands), Fraction(0))

    @property
    def tax(self) -> Fraction | None:
        """The tax within ``gross``."""
        return None if self.unpriced_uj else sum((band.gross - band.net for band in self.bands), Fraction(0))

    def text(self) -> str | None:
        """Decimal text for ``Cycle.cost``: 12 decimals, cut off, so that it can still be rounded once."""
        return None if self.gross is None else exact_text(self.gross)

    def shown(self) -> str | None:
        """As people are shown it: half up to the currency's smallest unit."""
        return None if self.gross is None else shown(self.gross, self.currency)

    def __add__(self, other: Cost) -> Cost:
        if other.currency != self.currency:
            raise ValueError(f"{self.currency} and {other.currency} do not add up")
        found: dict[str, BandShare] = {}
        for band in (*self.bands, *other.bands):
            old = found.get(band.name, BandShare(band.name, 0, Fraction(0), Fraction(0)))
            found[band.name] = BandShare(
                band.name, old.energy_uj + band.energy_uj, old.gross + band.gross, old.net + band.net
            )
        return Cost(self.currency, tuple(found.values()), self.unpriced_uj + other.unpriced_uj)


def price_series(tariff: Tariff, series: Series, start_ms: int | None = None, end_ms: int | None = None) -> Cost:
    """The cost of what flowed from ``start_ms`` until ``end_ms`` (the log's first and last reading where left out).

    A step between two readings that straddles a change of price is split at that instant.
    """
    return price_curve(tariff, EnergyCurve(series), start_ms, end_ms)


def price_curve(tariff: Tariff, curve: EnergyCurve, start_ms: int | None = None, end_ms: int | None = None) -> Cost:
    """The same, from a curve that is already there: for many cycles of one log."""
    start = curve.first_ms if start_ms is None else start_ms
    end = curve.last_ms if end_ms is None else end_ms
    if end <= start:
        return Cost(tariff.currency)
    spans = tariff.spans(start, end)
    energy_uj = np.diff(curve.at(spans.edges_ms))
    return add_up(tariff, zip(*(a.tolist() for a in (spans.period, spans.band, energy_uj, spans.price)), strict=True))


def add_up(tariff: Tariff, pieces: Iterable[tuple[int, int, int, int]]) -> Cost:
    """A cost from pieces of ``(period, band, energy_uj, price per kWh in 1e-8)``."""
    energy: dict[tuple[int, int], int] = {}
    money: dict[tuple[int, int], int] = {}
    unpriced = 0
    for period, band, energy_uj, price in pieces:
        if band == NO_BAND:
            unpriced += energy_uj
            continue
        key = (period, band)
        energy[key] = energy.get(key, 0) + energy_uj
        money[key] = money.get(key, 0) + energy_uj * price
    total = Cost(tariff.currency, (), unpriced)
    for (period, band), energy_uj in energy.items():
        if energy_uj == 0 and money[period, band] == 0:
            continue
        amount = Fraction(money[period, band], UJ_PER_KWH * PRICE_SCALE)
        tax = tariff.tax_factors(period)
        share = BandShare(tariff.band_names[band], energy_uj, amount * tax.gross, amount * tax.net)
        total += Cost(tariff.currency, (share,))
    return total
