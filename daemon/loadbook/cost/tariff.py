"""A tariff over time: which price holds at which instant. From a checked file, its CSV prices and the calendar."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Container
from dataclasses import dataclass, field
from datetime import date, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from loadbook.checked import parse_toml
from loadbook.cost import local_time
from loadbook.cost.price_table import PriceTable, parse_prices, scaled
from loadbook.cost.tariff_file import DAY_MINUTES, HOLIDAY, PRICE_DECIMALS, Period, TariffFile, calendar_of

PRICE_SCALE = 10**PRICE_DECIMALS
NO_BAND = -1
SLOT_BAND = "by the slot"

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Spans:
    """A range of time cut where the price changes. Arrays of n, but ``edges_ms`` of n + 1.

    ``price`` and ``export`` are per kWh in 1e-8 of the currency, as the file has them (surcharge added to ``price``,
    tax not yet dealt with). ``band`` indexes ``Tariff.band_names``; ``NO_BAND`` where no price is known. ``period``
    indexes ``Tariff.periods``; -1 before the first.
    """

    edges_ms: Ints
    price: Ints
    export: Ints
    band: Ints
    period: Ints


@dataclass(frozen=True, slots=True)
class TaxFactors:
    """What a price of the file is to be multiplied with for the price with and without tax."""

    gross: Fraction
    net: Fraction


@dataclass(eq=False)
class Tariff:
    """Prices of energy over time. Make one with ``parse_tariff``."""

    file: TariffFile
    tables: tuple[PriceTable | None, ...]
    """Slot prices of each period, None where it has none."""
    zone: ZoneInfo = field(init=False)
    band_names: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        self.zone = ZoneInfo(self.file.tariff.time_zone)
        names = dict.fromkeys(band.name for period in self.file.periods for band in period.bands)
        self.band_names = (*names, SLOT_BAND)
        self._firsts = [period.first for period in self.file.periods]
        country, _, part = self.file.tariff.holidays.partition("-")
        self._calendar: Container[date] = calendar_of(country, part) if country else ()
        self._days_off = frozenset(self.file.tariff.further_holidays)
        self._templates: dict[tuple[int, int, tuple[bool, ...]], list[tuple[int, int]]] = {}

    @property
    def id(self) -> str:
        return self.file.tariff.id

    @property
    def name(self) -> str:
        return self.file.tariff.name

    @property
    def currency(self) -> str:
        return self.file.tariff.currency

    @property
    def periods(self) -> tuple[Period, ...]:
        return self.file.periods

    def day_kind(self, day: date) -> int:
        """The kind of a day as an index into ``DAY_NAMES``: a public holiday is no weekday."""
        return HOLIDAY if day in self._days_off or day in self._calendar else day.weekday()

    def tax_factors(self, period: int) -> TaxFactors:
        here = self.periods[period]
        with_tax = 1 + Fraction(here.tax)
        return TaxFactors(Fraction(1), 1 / with_tax) if here.prices_include_tax else TaxFactors(with_tax, Fraction(1))

    def spans(self, start_ms: int, end_ms: int) -> Spans:
        """The range cut where the price may change; ``start_ms`` < ``end_ms``."""
        edges: list[int] = []
        bands: list[tuple[int, int]] = []
        for begin, end, offset in local_time.stretches(start_ms, end_ms, self.zone):
            for day, midnight_ms in local_time.days(begin, end, offset):
                for minute, period, band in self._day(day):
                    at = max(midnight_ms + minute * 60_000, begin)
                    if at >= end:
                        break
                    if edges and edges[-1] == at:  # the earlier one of this day ended before the stretch began
                        bands[-1] = (period, band)
                    elif not bands or bands[-1] != (period, band):
                        edges.append(at)
                        bands.append((period, band))
        found = np.array(bands, dtype=np.int64).reshape(-1, 2)
        return self._with_slots(np.array([*edges, end_ms], dtype=np.int64), found[:, 0], found[:, 1])

    def standing(self, first: date, last: date) -> Fraction | None:
        """The standing charge, tax included, of the days from ``first`` to ``last``; None before any period."""
        total = Fraction(0)
        day = first
        while day <= last:
            period = bisect_right(self._firsts, day) - 1
            if period < 0:
                return None
            total += Fraction(self.periods[period].standing_per_day) * self.tax_factors(period).gross
            day += timedelta(days=1)
        return total

    def _day(self, day: date) -> list[tuple[int, int, int]]:
        """``(minute, period, band in the period)`` from which each price of a local day holds."""
        number = bisect_right(self._firsts, day) - 1
        if number < 0:
            return [(0, -1, NO_BAND)]
        bands = self.periods[number].bands
        seasons = tuple(band.season is None or band.season.holds(day) for band in bands)
        key = (number, self.day_kind(day), seasons)
        if key not in self._templates:
            minutes = sorted({0, *(m for band in bands for m in (band.start, band.end) if m < DAY_MINUTES)})
            self._templates[key] = [
                (m, next((i for i, b in enumerate(bands) if seasons[i] and b.holds(m, key[1])), NO_BAND))
                for m in minutes
            ]
        return [(minute, number, band) for minute, band in self._templates[key]]

    def _with_slots(self, edges: Ints, period: Ints, band: Ints) -> Spans:
        """Bands' own prices looked up, and laid over them the prices by the slot where a period has them."""
        for number in np.unique(period):
            table = self.tables[number] if number >= 0 else None
            if table is None:
                continue
            here = np.flatnonzero(period == number)
            begin, end = edges[here[0]], edges[here[-1] + 1]
            near = table.start_ms[slice(*np.searchsorted(table.start_ms, (begin - table.slot_ms, end)))]
            cuts = np.unique(np.concatenate((near, near + table.slot_ms)))
            cuts = cuts[(cuts > begin) & (cuts < end)]
            old = np.searchsorted(edges, cuts, side="right") - 1
            keep = edges[old] != cuts
            edges, period, band = (
                np.insert(edges, old[keep] + 1, cuts[keep]),
                np.insert(period, old[keep] + 1, period[old[keep]]),
                np.insert(band, old[keep] + 1, band[old[keep]]),
            )
        price, export, name = (np.zeros(len(period), dtype=np.int64) for _ in range(3))
        for number in np.unique(period):
            self._look_up(int(number), edges, period == number, band, price, export, name)
        return Spans(edges, price, export, name, period)

    def _look_up(self, number: int, edges: Ints, here: npt.NDArray[np.bool_], band: Ints, *out: Ints) -> None:
        price, export, name = out
        if number < 0:
            name[here] = NO_BAND
            return
        rules, table = self.periods[number], self.tables[number]
        prices = [scaled(b.price + rules.surcharge) for b in rules.bands]
        names = [self.band_names.index(b.name) for b in rules.bands]
        price[here] = np.array([*prices, 0], dtype=np.int64)[band[here]]  # NO_BAND picks the last
        name[here] = np.array([*names, NO_BAND], dtype=np.int64)[band[here]]
        export[here] = scaled(rules.export_price)
        if table is None:
            return
        at = edges[:-1][here]
        row = np.maximum(np.searchsorted(table.start_ms, at, side="right") - 1, 0)
        inside = (at >= table.start_ms[row]) & (at < table.start_ms[row] + table.slot_ms)
        price[here] = np.where(inside, table.price[row] + scaled(rules.surcharge), price[here])
        name[here] = np.where(inside, len(self.band_names) - 1, name[here])
        if table.export is not None:
            export[here] = np.where(inside, table.export[row], export[here])


def parse_tariff(text: str, name: str, read_csv: Callable[[str], str] | None = None) -> Tariff:
    """A tariff from the text of its file. ``name`` is the file's name, for errors; ``read_csv`` gives the text of a
    price CSV by the name the file has for it. Raises InputError of one line."""
    file = parse_toml(text, TariffFile, name)
    tables: list[PriceTable | None] = []
    for period in file.periods:
        wanted = period.prices_csv and read_csv is not None
        tables.append(parse_prices(read_csv(period.prices_csv), period.prices_csv) if wanted and read_csv else None)
    return Tariff(file, tuple(tables))
