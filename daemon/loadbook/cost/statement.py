"""The month's statement: each machine's loads, energy, cost and price per load, for whoever pays or is paid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

from loadbook.cost.local_time import day_start_ms
from loadbook.cost.price import Cost
from loadbook.cost.programmes import Run
from loadbook.errors import InputError


@dataclass(frozen=True, slots=True)
class Month:
    """A calendar month of one place: ``start_ms`` up to ``end_ms`` on its clocks."""

    year: int
    month: int
    zone: ZoneInfo

    @property
    def first(self) -> date:
        return date(self.year, self.month, 1)

    @property
    def last(self) -> date:
        return self._next - timedelta(days=1)

    @property
    def _next(self) -> date:
        return date(self.year + self.month // 12, self.month % 12 + 1, 1)

    @property
    def start_ms(self) -> int:
        return day_start_ms(self.first, self.zone)

    @property
    def end_ms(self) -> int:
        return day_start_ms(self._next, self.zone)

    def __str__(self) -> str:
        return f"{self.year:04d}-{self.month:02d}"


def parse_month(text: str, zone: ZoneInfo) -> Month:
    """``2026-11`` as a month. Raises InputError."""
    year, _, month = text.partition("-")
    if not (
        year.isdecimal() and len(year) == 4 and month.isdecimal() and 1 <= int(month) <= 12 and 1970 <= int(year) < 3000
    ):
        raise InputError(f"{text!r} is no month; write it as 2026-11")
    return Month(int(year), int(month), zone)


@dataclass(frozen=True, slots=True)
class Loads:
    """Some loads added up. ``cost`` is None where one of them has none or currencies differ; then ``unpriced`` counts
    those without."""

    name: str
    runs: tuple[Run, ...]

    @property
    def count(self) -> int:
        return len(self.runs)

    @property
    def stopped(self) -> int:
        """Of the loads, those that did not run to their end."""
        return sum(run.outcome != "completed" for run in self.runs)

    @property
    def energy_kwh(self) -> float:
        return sum(run.energy_kwh or 0.0 for run in self.runs)

    @property
    def unpriced(self) -> int:
        return sum(run.cost is None for run in self.runs)

    @property
    def currency(self) -> str | None:
        found = {run.currency for run in self.runs if run.cost is not None}
        return found.pop() if len(found) == 1 else None

    @property
    def cost(self) -> Fraction | None:
        if self.unpriced or self.currency is None:
            return None
        return sum((run.cost or Fraction(0) for run in self.runs), Fraction(0))

    @property
    def per_load(self) -> Fraction | None:
        """Cost of a load on average, those that stopped early among them."""
        return None if self.cost is None else self.cost / self.count

    @property
    def own_kwh(self) -> float | None:
        known = [run.own_kwh for run in self.runs if run.own_kwh is not None]
        return sum(known) if known else None

    @property
    def saved(self) -> Fraction | None:
        known = [run.saved for run in self.runs if run.saved is not None]
        return sum(known, Fraction(0)) if known else None


@dataclass(frozen=True, slots=True)
class Metered:
    """What the machine's meter saw in the month, loads and idle together.

    ``energy_kwh`` is integrated power; ``counter_kwh`` the difference of the meter's own counter, None where it has
    none or went back; ``cost`` that of all of it, None without a tariff.
    """

    energy_kwh: float
    counter_kwh: float | None = None
    cost: Cost | None = None

    @property
    def off_by(self) -> float | None:
        """Integrated power against the counter: 0.01 is one percent more."""
        return self.energy_kwh / self.counter_kwh - 1 if self.counter_kwh else None


@dataclass(frozen=True, slots=True)
class MachineStatement:
    """One machine's month."""

    machine_id: str
    name: str
    place: str | None
    loads: Loads
    programmes: tuple[Loads, ...]
    metered: Metered | None = None

    @property
    def idle_kwh(self) -> float | None:
        """Energy outside loads: standby, and what was not recognised as a load."""
        return None if self.metered is None else max(self.metered.energy_kwh - self.loads.energy_kwh, 0.0)


@dataclass(frozen=True, slots=True)
class Statement:
    """The month's statement of a site. ``until_ms`` is where the record ends when the month is not over."""

    title: str
    month: Month
    machines: tuple[MachineStatement, ...]
    tariff: str | None
    currency: str | None
    standing: Fraction | None
    until_ms: int | None = None

    @property
    def total(self) -> Loads:
        return Loads("all machines", tuple(run for machine in self.machines for run in machine.loads.runs))


def machine_statement(
    runs: Sequence[Run],
    month: Month,
    machine: tuple[str, str, str | None],
    names: dict[str, str],
    metered: Metered | None = None,
) -> MachineStatement:
    """A machine's month from its runs; a load belongs to the month it began in, one still running to none yet.

    ``machine`` is id, name and place; ``names`` are those of its programmes by id.
    """
    here = sorted(
        (run for run in runs if month.start_ms <= run.start_ms < month.end_ms and run.outcome != "running"),
        key=lambda run: run.start_ms,
    )
    groups: dict[str, list[Run]] = {}
    for run in here:
        groups.setdefault(programme_name(run, names), []).append(run)
    programmes = sorted((Loads(name, tuple(found)) for name, found in groups.items()), key=lambda g: (-g.count, g.name))
    machine_id, name, place = machine
    return MachineStatement(machine_id, name, place, Loads(name, tuple(here)), tuple(programmes), metered)


def programme_name(run: Run, names: dict[str, str]) -> str:
    """A run's programme as people call it."""
    return "not recognised" if run.programme is None else names.get(run.programme, run.programme)
