"""What a tariff file may say: TOML checked key by key. What it means in time is worked out in ``tariff``."""

from __future__ import annotations

from collections.abc import Container
from datetime import date, time
from decimal import Decimal
from itertools import pairwise
from typing import Annotated, Any, Literal, Self, get_args
from zoneinfo import ZoneInfo

from pydantic import AliasChoices, BeforeValidator, Field, field_validator, model_validator

from loadbook.checked import Strict
from loadbook.cost.money import known_currency
from loadbook.machine import Id

DAY_MINUTES = 24 * 60
DayName = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun", "holiday"]
DAY_NAMES: tuple[DayName, ...] = get_args(DayName)
"""Kinds of day, in the order of ``date.weekday()``; a public holiday is no weekday."""
HOLIDAY = DAY_NAMES.index("holiday")
PRICE_DECIMALS = 8


def minute_of_day(value: Any) -> int:
    """``"22:30"`` or a TOML local time as minutes of the day; ``"24:00"`` is the day's end."""
    if isinstance(value, time):
        if value.second or value.microsecond:
            raise ValueError(f"bands change on whole minutes, not at {value}")
        return value.hour * 60 + value.minute
    if isinstance(value, str):
        hours, colon, minutes = value.partition(":")
        if colon and hours.isdecimal() and minutes.isdecimal() and len(minutes) == 2 and int(minutes) < 60:
            total = int(hours) * 60 + int(minutes)
            if total <= DAY_MINUTES:
                return total
    raise ValueError(f'write a time of day as "22:30" ("24:00" ends the day), not {value!r}')


def _month_day(value: Any) -> Any:
    if isinstance(value, str):
        month, dash, day = value.partition("-")
        if dash and month.isdecimal() and day.isdecimal():
            try:
                date(2024, int(month), int(day))  # a leap year: 02-29 is a day
            except ValueError:
                pass
            else:
                return (int(month), int(day))
    raise ValueError(f'write a day of the year as "11-01" (month-day), not {value!r}')


MinuteOfDay = Annotated[int, BeforeValidator(minute_of_day)]
MonthDay = Annotated[tuple[int, int], BeforeValidator(_month_day)]
Price = Annotated[Decimal, Field(ge=-10_000, le=10_000, decimal_places=PRICE_DECIMALS)]


def calendar_of(country: str, part: str) -> Container[date]:
    """Public holidays of a country, or a part of it. Raises NotImplementedError where they are not known."""
    from holidays import country_holidays  # noqa: PLC0415 - only for tariffs that ask: it is large

    return country_holidays(country, subdiv=part or None)


class Season(Strict):
    """Part of the year, both days included; ``from`` later than ``to`` runs over the new year."""

    first: MonthDay = Field(alias="from")
    last: MonthDay = Field(alias="to")

    def holds(self, day: date) -> bool:
        here = (day.month, day.day)
        if self.first <= self.last:
            return self.first <= here <= self.last
        return here >= self.first or here <= self.last


class Band(Strict):
    """A price per kWh and when it holds: clock times and kinds of day of the instant itself, not of the night before.

    ``from`` later than ``to`` runs over midnight. What is left out holds always.
    """

    name: str = Field(min_length=1, max_length=60)
    price: Price
    start: MinuteOfDay = Field(default=0, alias="from")
    end: MinuteOfDay = Field(default=DAY_MINUTES, alias="to")
    days: tuple[DayName, ...] = Field(default=DAY_NAMES, min_length=1)
    season: Season | None = None

    @model_validator(mode="after")
    def _not_empty(self) -> Self:
        if self.start == self.end:
            raise ValueError(f"band {self.name!r} begins and ends at the same time; leave from and to out for all day")
        return self

    def holds(self, minute: int, kind: int) -> bool:
        """Whether it holds at ``minute`` of a day of ``kind`` (index into ``DAY_NAMES``), season apart."""
        if DAY_NAMES[kind] not in self.days:
            return False
        if self.start < self.end:
            return self.start <= minute < self.end
        return minute >= self.start or minute < self.end


class Period(Strict):
    """Prices that hold from a day on, until the next period's: so old cycles keep their price."""

    first: date = Field(alias="from")
    bands: tuple[Band, ...] = Field(default=(), validation_alias=AliasChoices("band", "bands"))
    prices_csv: str = ""
    surcharge: Price = Decimal(0)
    export_price: Price = Decimal(0)
    tax: Annotated[Decimal, Field(ge=0, le=2, decimal_places=6)] = Decimal(0)
    prices_include_tax: bool = True
    standing_per_day: Price = Decimal(0)

    @model_validator(mode="after")
    def _some_price(self) -> Self:
        if not self.bands and not self.prices_csv:
            raise ValueError(f"the period from {self.first} has no price; add a [[period.band]] or prices_csv")
        return self

    def uncovered(self) -> str:
        """When no band holds, in words; empty when every minute of the year has a price or comes from a CSV."""
        if self.prices_csv:
            return ""
        minutes = sorted({0} | {m % DAY_MINUTES for band in self.bands for m in (band.start, band.end)})
        days = {date(2024, 1, 1)}
        for band in self.bands:
            if band.season:
                days.add(date(2024, *band.season.first))
                last = date(2024, *band.season.last)
                days.add(date.fromordinal(last.toordinal() + 1).replace(year=2024))
        for day in sorted(days):
            here = [band for band in self.bands if band.season is None or band.season.holds(day)]
            for kind, name in enumerate(DAY_NAMES):
                for minute in minutes:
                    if not any(band.holds(minute, kind) for band in here):
                        return f"{name} {minute // 60:02d}:{minute % 60:02d}, {day.month:02d}-{day.day:02d}"
        return ""


class TariffHead(Strict):
    id: Id
    name: str = Field(min_length=1)
    currency: str
    time_zone: str
    holidays: str = ""
    further_holidays: tuple[date, ...] = ()

    @field_validator("currency")
    @classmethod
    def _currency(cls, code: str) -> str:
        if not known_currency(code):
            raise ValueError(f"{code!r} is no ISO 4217 currency; write its three letters, as EUR or GBP")
        return code

    @field_validator("time_zone")
    @classmethod
    def _zone(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (OSError, ValueError):  # not found (a KeyError in some versions), a folder, a path that leaves the data
            raise ValueError(f"{name!r} is no IANA time zone; write one as Europe/Berlin") from None
        except KeyError:
            raise ValueError(f"{name!r} is no IANA time zone; write one as Europe/Berlin") from None
        return name

    @field_validator("holidays")
    @classmethod
    def _holidays(cls, code: str) -> str:
        country, _, part = code.partition("-")
        if code:
            try:
                calendar_of(country, part)
            except NotImplementedError:
                raise ValueError(
                    f"{code!r} is no country (and part) whose public holidays are known; "
                    "write ISO 3166 codes as DE or DE-HH, or list further_holidays"
                ) from None
        return code


class TariffFile(Strict):
    """A whole tariff file."""

    tariff: TariffHead
    periods: tuple[Period, ...] = Field(validation_alias=AliasChoices("period", "periods"), min_length=1)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        for before, after in pairwise(self.periods):
            if after.first <= before.first:
                raise ValueError(f"the period from {after.first} comes after that from {before.first}; sort them")
        for period in self.periods:
            when = period.uncovered()
            if when:
                raise ValueError(
                    f"the period from {period.first} has no price on {when}; add a last [[period.band]] without times"
                )
        return self
