"""Figures and times as a person reads them: units, sensible digits, the site's time zone. Used by every page.

Pure but for the time zone data. Numbers carry a narrow no-break space between thousands and before the unit, so that a
figure never breaks over two lines.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from loadbook.errors import InputError
from loadbook.machine import Machine

NARROW = "\u202f"
KEEP = "\u00a0"
"""A space that a line does not break at."""
JOINED = "\u2060"
DASH = "–"
NONE = "—"

_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:[A-Z]{3}|k?Wh|k?W|V|A|h|min|s|Ω|%)(?:\W|$))")

STAGE_WORDS: dict[str, str] = {
    "drain": "Draining",
    "fill": "Filling",
    "wash": "Washing",
    "heat": "Heating",
    "hold": "Holding warm",
    "rinse": "Rinsing",
    "spin": "Spinning",
    "dry": "Drying",
    "cool": "Cooling",
    "wait": "Waiting",
}
KIND_WORDS: dict[str, str] = {
    "washing_machine": "Washing machine",
    "dishwasher": "Dishwasher",
    "tumble_dryer": "Tumble dryer",
    "washer_dryer": "Washer-dryer",
    "other": "Machine",
}
OUTCOME_WORDS: dict[str, str] = {
    "completed": "Completed",
    "stopped_early": "Stopped early",
    "running": "Running",
}
VERDICT_WORDS: dict[str, str] = {
    "ok": "as charted",
    "too_long": "too long",
    "too_short": "too short",
    "low": "draws too little",
    "high": "draws too much",
    "missing": "did not happen",
    "unexpected": "not in the chart",
    "pass": "Nothing wrong seen",
    "attention": "Something to look at",
}


def plain(name: str) -> str:
    """An id as words: ``main-heat`` and ``drum_motor`` become "Main heat" and "Drum motor"."""
    text = name.replace("-", " ").replace("_", " ")
    return text[:1].upper() + text[1:]


def number(value: float, decimals: int) -> str:
    """A number with narrow spaces between thousands and a true minus sign."""
    text = f"{value:,.{decimals}f}".replace(",", NARROW)
    return text.replace("-", "−")


def with_unit(value: float | None, unit: str, decimals: int) -> str:
    """A figure and its unit, or a dash when it is not known."""
    return NONE if value is None else f"{number(value, decimals)}{NARROW}{unit}"


def watts(value: float | None) -> str:
    """Power: one decimal below 10 W, whole watts above."""
    return with_unit(value, "W", 1 if value is not None and abs(value) < 9.95 else 0)


def kwh(value: float | None) -> str:
    """Energy in kWh with two decimals, three below 0.1 kWh; in Wh below 0.01 kWh."""
    if value is not None and abs(value) < 0.01:
        return with_unit(value * 1000, "Wh", 1)
    return with_unit(value, "kWh", 3 if value is not None and abs(value) < 0.1 else 2)


def volts(value: float | None) -> str:
    return with_unit(value, "V", 1)


def money(amount: str | None, currency: str | None, decimals: int = 2) -> str:
    """Decimal text as an amount with two decimals, or as many as said, and its currency; or a dash."""
    if amount is None:
        return NONE
    try:
        rounded = Decimal(amount).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
    except InvalidOperation:
        return NONE
    return f"{rounded}{NARROW}{currency or ''}".replace("-", "−").rstrip(NARROW)


def duration(seconds: float | None) -> str:
    """A length of time: ``42 s``, ``18 min``, ``1 h 05 min``, ``3 days 4 h``."""
    if seconds is None:
        return NONE
    whole = max(0, round(seconds))
    if whole < 100:
        return f"{whole}{NARROW}s"
    minutes = round(whole / 60)
    if minutes < 60:
        return f"{minutes}{NARROW}min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours}{NARROW}h{KEEP}{minutes:02d}{NARROW}min"
    days, hours = divmod(hours, 24)
    return f"{days}{KEEP}days{KEEP}{hours}{NARROW}h"


def minutes_and_seconds(seconds: float) -> str:
    """A length of time that is held against a limit: ``42 s``, ``5 min 35 s``, ``1 h 05 min``."""
    whole = max(0, round(seconds))
    if whole < 100 or whole >= 3600:
        return duration(seconds)
    minutes, rest = divmod(whole, 60)
    return f"{minutes}{NARROW}min" + (f"{KEEP}{rest:02d}{NARROW}s" if rest else "")


def unbroken(text: str) -> str:
    """A sentence whose figures keep their units on the same line."""
    return _BEFORE_UNIT.sub(KEEP, text)


def exact_duration(seconds: float | None) -> str:
    """A length of time to the second, for tables: ``18:05`` is minutes and seconds, ``1:18:05`` has hours."""
    if seconds is None:
        return NONE
    whole = max(0, round(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, second = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{second:02d}" if hours else f"{minutes}:{second:02d}"


def measured(value: float | None, unit: str | None) -> str:
    """A figure of an alert in its own unit."""
    if value is None:
        return NONE
    match unit:
        case "s":
            return minutes_and_seconds(value)
        case "W":
            return watts(value)
        case "kWh":
            return kwh(value)
        case "V":
            return volts(value)
        case "Hz" | "ohm" | "Ω":
            return with_unit(value, unit, 2)
        case _:
            return f"{value:g}{NARROW}{unit or ''}".rstrip(NARROW)


def between(low: float | None, high: float | None, unit: str | None) -> str:
    """A band in words: ``1 710 W to 1 995 W``, ``at most 1.5 Ω``, ``at least 5 min``; empty when there is none."""
    if low is not None and high is not None:
        return f"{measured(low, unit)} to {measured(high, unit)}"
    if high is not None:
        return f"at most {measured(high, unit)}"
    if low is not None:
        return f"at least {measured(low, unit)}"
    return ""


def bands(levels: Sequence[tuple[float, float]]) -> str:
    """Bands of watts in words: ``up to 5.1 W or 48 – 294 W``; empty when there is none."""
    said = []
    for low, high in levels:
        top = watts(high)
        said.append(
            f"up to {top}"
            if low < 0.05
            else f"{number(low, 1 if low < 9.95 else 0)}{NARROW}{DASH}{JOINED}{NARROW}{top}"
        )
    return " or ".join(said)


def part_name(machine: Machine | None, part: str | None) -> str | None:
    """A component's name from its machine file, or its id in words."""
    if part is None:
        return None
    if machine is not None:
        for component in machine.components:
            if component.id == part:
                return component.name or plain(part)
    return plain(part)


def phase_name(machine: Machine | None, programme: str | None, phase: str | None, stage: str | None = None) -> str:
    """A phase's name from its chart, or its id in words, or its stage in words."""
    if phase is None:
        return STAGE_WORDS.get(stage or "", "Working")
    if machine is not None:
        for chart in machine.programmes:
            if programme is None or chart.id == programme:
                for row in chart.phases:
                    if row.id == phase:
                        return row.name or plain(phase)
    return plain(phase)


def programme_name(machine: Machine | None, programme: str | None) -> str | None:
    """A programme's name from its chart, or its id in words."""
    if programme is None:
        return None
    if machine is not None:
        for chart in machine.programmes:
            if chart.id == programme:
                return chart.name or plain(programme)
    return plain(programme)


@dataclass(frozen=True, slots=True)
class SiteTime:
    """Times in the site's zone. What time it is now is handed in by the caller."""

    zone: ZoneInfo

    def local(self, at_ms: int) -> datetime:
        return datetime.fromtimestamp(at_ms / 1000, self.zone)

    def time(self, at_ms: int | None) -> str:
        """``14:02``."""
        return NONE if at_ms is None else self.local(at_ms).strftime("%H:%M")

    def time_s(self, at_ms: int | None) -> str:
        """``14:02:31``."""
        return NONE if at_ms is None else self.local(at_ms).strftime("%H:%M:%S")

    def day(self, at_ms: int) -> str:
        """``Tue 24 Nov``."""
        at = self.local(at_ms)
        return f"{at.strftime('%a')} {at.day} {at.strftime('%b')}"

    def day_key(self, at_ms: int) -> str:
        """``2026-11-24``: the day in the site's zone."""
        return self.local(at_ms).strftime("%Y-%m-%d")

    def when(self, at_ms: int | None, now_ms: int) -> str:
        """``14:02`` today, ``yesterday 14:02``, ``tomorrow 14:02``, else ``Tue 24 Nov 14:02``, and another year."""
        if at_ms is None:
            return NONE
        days = (self.local(now_ms).date() - self.local(at_ms).date()).days
        if days == 0:
            return self.time(at_ms)
        if days == -1:
            return f"tomorrow {self.time(at_ms)}"
        if days == 1:
            return f"yesterday {self.time(at_ms)}"
        if self.local(now_ms).year != self.local(at_ms).year:
            return f"{self.day(at_ms)} {self.local(at_ms).year} {self.time(at_ms)}"
        return f"{self.day(at_ms)} {self.time(at_ms)}"


def site_time(time_zone: str) -> SiteTime:
    """The time at a site. Raises InputError when nobody knows the zone."""
    try:
        return SiteTime(ZoneInfo(time_zone))
    except (ZoneInfoNotFoundError, ValueError):
        raise InputError(f"site.time_zone: nobody knows the zone {time_zone!r}; write one like Europe/Lisbon") from None
