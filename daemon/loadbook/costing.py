"""Runs and readings for everything that is costed: from the store of a site, or from one log.

``CyclePricer`` is what the recorder costs an ended cycle with; the sources are what commands and pages ask.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Protocol
from zoneinfo import ZoneInfo

import numpy as np

from loadbook.assessment import assess
from loadbook.cost.energy_curve import UJ_PER_KWH, EnergyCurve
from loadbook.cost.money import amount_of, exact_text
from loadbook.cost.price import Cost, price_curve
from loadbook.cost.programmes import Run, run_of
from loadbook.cost.solar import SolarCost, price_with_curve, price_with_meter
from loadbook.cost.solar_curve import SolarCurve, parse_solar
from loadbook.cost.start import Shape, shape_of, typical_runs
from loadbook.cost.statement import Metered, Month, Statement, machine_statement, programme_name
from loadbook.cost.tariff import Tariff
from loadbook.counter import advanced_wh
from loadbook.errors import InputError
from loadbook.events import Cycle, Phase
from loadbook.files import load_causes, read_text
from loadbook.judge.limits import Limits
from loadbook.logs import Log
from loadbook.machine import Machine, parse_machine
from loadbook.reading import HOLD_MS, Series
from loadbook.settings import Settings
from loadbook.store.connect import LEDGER_FILE, read_only
from loadbook.store.readings import Minutes, ReadingReader
from loadbook.tariff_files import load_tariff, tariff_path

NEEDED = ("power_w", "energy_wh")
_HOUR_MS = 3_600_000
_MINUTE_MS = 60_000
MOST_RUNS_TRIED = 40


def load_solar(path: Path, time_zone: str) -> SolarCurve:
    """The generation curve at ``path``. Raises InputError."""
    return parse_solar(read_text(path, "solar curve"), str(path), time_zone)


@dataclass(frozen=True, slots=True)
class SiteCosts:
    """What a site's costs hang on: its tariff and its own generation, each None where it has none."""

    tariff: Tariff | None
    curve: SolarCurve | None


def site_costs(settings: Settings, folder: Path) -> SiteCosts:
    """Tariff and solar curve the settings name; ``folder`` is the settings file's. Raises InputError."""
    tariff = load_tariff(tariff_path(settings.tariff, folder)) if settings.tariff else None
    zone = tariff.file.tariff.time_zone if tariff else settings.site.time_zone
    return SiteCosts(tariff, load_solar(folder / settings.solar.curve, zone) if settings.solar.curve else None)


PriceOf = Callable[[int, int], Cost | SolarCost]
"""The cost of what flowed from one instant until another, ms."""


class CyclePricer:
    """Costs ended cycles of a site. Raises InputError where the tariff or curve cannot be used."""

    def __init__(self, settings: Settings, folder: Path) -> None:
        self._solar = settings.solar
        self.costs = site_costs(settings, folder)

    def price(self, reader: ReadingReader, meter: str, cycle: Cycle) -> None:
        """Set the cycle's cost and currency (and own energy and saving, where the site has solar) from its readings,
        and what each of its phases cost: where one begins as another ends, exactly what the cycle cost in all.

        Without a tariff, or where the tariff knows no price then, the cost stays None.
        """
        tariff = self.costs.tariff
        if tariff is None or cycle.end_ms <= cycle.start_ms:
            return
        span = (cycle.start_ms - HOLD_MS, cycle.end_ms + HOLD_MS)
        series = reader.series(meter, *span, NEEDED)
        cost_of = self._priced(reader, meter, span, tariff, series)
        cycle.currency = tariff.currency
        whole = cost_of(cycle.start_ms, cycle.end_ms)
        cycle.cost = whole.text()
        cycle.phases = [replace(phase, cost=_phase_cost(cost_of, phase)) for phase in cycle.phases]
        if isinstance(whole, SolarCost):
            cycle.own_kwh = whole.own_kwh
            cycle.saved = None if whole.saved is None else exact_text(whole.saved)

    def _priced(
        self, reader: ReadingReader, meter: str, span: tuple[int, int], tariff: Tariff, series: Series
    ) -> PriceOf:
        """What a stretch within ``span`` cost, by what the site has: a second meter, a solar curve, or neither."""
        own, solar = self._solar.meter, self.costs.curve
        if own and own != meter:
            second, measures = reader.series(own, *span, NEEDED), self._solar.measures
            return lambda start, end: price_with_meter(tariff, series, second, measures, start_ms=start, end_ms=end)
        if solar is not None:
            return lambda start, end: price_with_curve(tariff, series, solar, start, end)
        curve = EnergyCurve(series)
        return lambda start, end: price_curve(tariff, curve, start, end)


def _phase_cost(cost_of: PriceOf, phase: Phase) -> str | None:
    if phase.start_ms is None or phase.end_ms is None or phase.end_ms <= phase.start_ms:
        return None
    return cost_of(phase.start_ms, phase.end_ms).text()


class Source(Protocol):
    """Where a machine's runs and readings come from."""

    machine: Machine | None
    machine_id: str
    name: str
    place: str | None

    def runs(self, start_ms: int | None = None, end_ms: int | None = None) -> list[Run]:
        """Runs that begin in the span, in order of time."""

    def series(self, start_ms: int, end_ms: int) -> Series:
        """Power and counter in the span."""

    def metered(self, start_ms: int, end_ms: int, tariff: Tariff | None) -> Metered | None:
        """What the meter saw in the span; None when it saw nothing."""

    def last_ms(self) -> int | None:
        """The newest reading."""

    def programme_names(self) -> dict[str, str]:
        """Names of the charted programmes by id."""


def _names(machine: Machine | None) -> dict[str, str]:
    return {p.id: p.name or p.id for p in machine.programmes} if machine else {}


def _within(at_ms: int, start_ms: int | None, end_ms: int | None) -> bool:
    return (start_ms is None or at_ms >= start_ms) and (end_ms is None or at_ms < end_ms)


class LogSource:
    """One log, assessed by the code that runs live."""

    def __init__(self, log: Log, machine: Machine | None, settings: Settings, tariff: Tariff | None) -> None:
        self.machine, self.log = machine, log
        self.machine_id = machine.id if machine else (log.series.meter or "machine")
        self.name = machine.machine.name if machine else self.machine_id
        self.place = machine.machine.place if machine else None
        self.cycles = assess(log, machine, Limits.of_site(settings.site), load_causes(), tariff).cycles

    def runs(self, start_ms: int | None = None, end_ms: int | None = None) -> list[Run]:
        return [run_of(cycle) for cycle in self.cycles if _within(cycle.start_ms, start_ms, end_ms)]

    def series(self, start_ms: int, end_ms: int) -> Series:
        first, last = self.log.series.at_ms.searchsorted((start_ms, end_ms))
        return self.log.series.slice(int(first), int(last))

    def metered(self, start_ms: int, end_ms: int, tariff: Tariff | None) -> Metered | None:
        return metered_of(self.series(start_ms, end_ms), tariff)

    def last_ms(self) -> int | None:
        return int(self.log.series.at_ms[-1]) if len(self.log.series) else None

    def programme_names(self) -> dict[str, str]:
        return _names(self.machine)


class StoreSource:
    """A machine of a site, from its ledger and its readings; reads only. Raises InputError for an unknown machine."""

    def __init__(self, settings: Settings, folder: Path, reader: ReadingReader, machine_id: str) -> None:
        self._db = read_only(folder / settings.store.folder / LEDGER_FILE)
        self._reader = reader
        row = self._db.execute(
            "SELECT id, name, place, meter, file_text FROM machine WHERE id = ?", (machine_id,)
        ).fetchone()
        if row is None:
            known = ", ".join(machines_of(settings, folder)) or "none yet"
            raise InputError(f"there is no machine {machine_id!r} in the ledger; it has: {known}")
        self.machine_id, self.name, self.place, self.meter = row["id"], row["name"], row["place"], row["meter"]
        text = row["file_text"]
        self.machine = parse_machine(text, f"the machine file of {machine_id} in the ledger") if text else None

    def runs(self, start_ms: int | None = None, end_ms: int | None = None) -> list[Run]:
        rows = self._db.execute(
            "SELECT c.*, (SELECT sum(energy_wh) FROM phase WHERE cycle = c.id AND stage = 'heat') AS heat_wh "
            "FROM cycle c WHERE machine = ? AND start_ms >= ? AND start_ms < ? ORDER BY start_ms",
            (self.machine_id, -(1 << 62) if start_ms is None else start_ms, 1 << 62 if end_ms is None else end_ms),
        )
        return [
            Run(
                row["programme"],
                row["outcome"],
                row["start_ms"],
                row["end_ms"],
                _kwh(row["energy_wh"]),
                _amount(row["cost"]),
                row["currency"],
                _kwh(row["heat_wh"]),
                _kwh(row["own_wh"]),
                _amount(row["saved"]),
                row["key_ms"],
            )
            for row in rows
        ]

    def series(self, start_ms: int, end_ms: int) -> Series:
        return self._reader.series(self.meter or "", start_ms, end_ms, NEEDED)

    def metered(self, start_ms: int, end_ms: int, tariff: Tariff | None) -> Metered | None:
        span = self._reader.span(self.meter or "")
        if span is None or span[0] >= end_ms or span[1] < start_ms:
            return None
        first, last = max(start_ms, span[0]), min(end_ms, span[1])
        minutes = self._reader.minutes(self.meter, first, last + 1)
        cost = None if tariff is None else price_curve(tariff, EnergyCurve(series_of_minutes(minutes)))
        began = self._reader.series(self.meter, first, min(first + _HOUR_MS, end_ms), NEEDED)
        at_ms, counter_wh = minutes.minute_ms + _MINUTE_MS - 1, minutes.counter_wh  # the minute's last value
        if began.energy_wh is not None:
            at_ms = np.concatenate((began.at_ms[:1], at_ms))
            counter_wh = np.concatenate((began.energy_wh[:1], counter_wh))
        counter = _kwh(advanced_wh(at_ms, counter_wh))
        return Metered(self._reader.energy_wh(self.meter, start_ms, end_ms) / 1000, counter, cost)

    def last_ms(self) -> int | None:
        span = self._reader.span(self.meter or "")
        return None if span is None else span[1]

    def programme_names(self) -> dict[str, str]:
        return _names(self.machine)

    def close(self) -> None:
        self._db.close()


def machines_of(settings: Settings, folder: Path) -> list[str]:
    """Ids of the machines in a site's ledger. Raises StartError where there is none."""
    db = read_only(folder / settings.store.folder / LEDGER_FILE)
    try:
        return [row["id"] for row in db.execute("SELECT id FROM machine ORDER BY name, id")]
    finally:
        db.close()


def zone_of(settings: Settings) -> ZoneInfo:
    """The site's time zone. Raises InputError where there is none of that name."""
    try:
        return ZoneInfo(settings.site.time_zone)
    except (OSError, ValueError, KeyError):
        raise InputError(f"site.time_zone {settings.site.time_zone!r} is no IANA time zone") from None


def metered_of(series: Series, tariff: Tariff | None) -> Metered | None:
    """Energy by integration and by the counter of a stretch of full-rate readings; its cost where there is a tariff."""
    if len(series) < 2:
        return None
    curve = EnergyCurve(series)
    energy_kwh = curve.between(curve.first_ms, curve.last_ms) / UJ_PER_KWH
    counter = None if series.energy_wh is None else _kwh(advanced_wh(series.at_ms, series.energy_wh))
    return Metered(energy_kwh, counter, price_curve(tariff, curve) if tariff else None)


def series_of_minutes(minutes: Minutes) -> Series:
    """Energy by the minute as a log whose counter rises by it, so that it is priced by the rule for gaps."""
    n = len(minutes.minute_ms)
    if n == 0:
        return Series(np.empty(0, dtype=np.int64), np.empty(0), energy_wh=np.empty(0))
    at_ms = np.append(minutes.minute_ms, minutes.minute_ms[-1] + _MINUTE_MS)
    # A missing minute flows nothing: where the next one is further away, the counter's rise ends after its own minute.
    apart = np.flatnonzero(np.diff(at_ms[:-1]) > _MINUTE_MS)
    counter = np.concatenate(([0.0], np.cumsum(minutes.energy_wh)))
    at_ms = np.insert(at_ms, apart + 1, at_ms[apart] + _MINUTE_MS)
    counter = np.insert(counter, apart + 1, counter[apart + 1])
    return Series(at_ms.astype(np.int64), np.zeros(len(at_ms)), energy_wh=counter)


def programme_shape(source: Source, programme: str | None) -> tuple[str, Shape]:
    """A programme's name and measured shape: a run whose energy lies in the middle of those seen.

    ``programme`` None takes the one run most often. Raises InputError where there is no such run at full rate.
    """
    runs = [run for run in source.runs() if run.outcome == "completed"]
    seen = [run.programme for run in runs]
    wanted = programme or max(seen, key=lambda p: (seen.count(p), p is not None), default=None)
    likely = typical_runs([run for run in runs if run.programme == wanted])
    names = source.programme_names()
    if not likely:
        known = ", ".join(sorted({names.get(p, p) for p in seen if p})) or "none"
        what = f"programme {programme!r}" if programme else "any programme"
        raise InputError(f"{source.name}: no completed run of {what} on record (seen: {known})")
    for run in likely[:MOST_RUNS_TRIED]:
        series = source.series(run.start_ms - HOLD_MS, run.end_ms + HOLD_MS)
        if len(series) > 1:
            return programme_name(run, names), shape_of(series, run.start_ms, run.end_ms)
    raise InputError(f"{source.name}: the readings of its runs are no longer kept at full rate; run it once more")


def site_statement(
    sources: Sequence[Source], month: Month, title: str, tariff: Tariff | None, now_ms: int
) -> Statement:
    """The month's statement of a site. ``until_ms`` is set while the month is not over."""
    found = []
    for source in sources:
        names = source.programme_names()
        runs = source.runs(month.start_ms, month.end_ms)
        metered = source.metered(month.start_ms, month.end_ms, tariff)
        who = (source.machine_id, source.name, source.place)
        found.append(machine_statement(runs, month, who, names, metered))
    over = now_ms >= month.end_ms
    last = month.last if over else max(month.first, datetime.fromtimestamp(now_ms / 1000, month.zone).date())
    return Statement(
        title=title,
        month=month,
        machines=tuple(found),
        tariff=tariff.name if tariff else None,
        currency=tariff.currency if tariff else None,
        standing=tariff.standing(month.first, last) if tariff else None,
        until_ms=None if over else max(now_ms, month.start_ms),
    )


def _kwh(wh: float | None) -> float | None:
    return None if wh is None else wh / 1000


def _amount(text: str | None) -> Fraction | None:
    return None if text is None else amount_of(text)
