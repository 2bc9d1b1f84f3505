"""Which programme costs what: the programmes seen on a machine, beside what their label states."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from statistics import median, quantiles
from typing import Any

from loadbook.cost.heat import HeatCheck, check_heat, heating_kwh
from loadbook.cost.label import LabelFigures, label_figures, stated_energy_kwh
from loadbook.cost.money import amount_of, exact_text
from loadbook.events import Cycle
from loadbook.machine import Machine, Programme

ENOUGH_FOR_QUARTILES = 8


@dataclass(frozen=True, slots=True)
class Run:
    """One run of a programme, as the ledger or an assessment has it. ``cost`` is exact."""

    programme: str | None
    outcome: str
    start_ms: int
    end_ms: int
    energy_kwh: float | None
    cost: Fraction | None = None
    currency: str | None = None
    heat_kwh: float | None = None
    """Energy of its heating phases."""
    own_kwh: float | None = None
    saved: Fraction | None = None
    key_ms: int = 0
    """Names the cycle for good, as ``Cycle.key_ms`` does."""

    @property
    def duration_min(self) -> float:
        return (self.end_ms - self.start_ms) / 60_000


def run_of(cycle: Cycle) -> Run:
    """A cycle as a run."""
    cost = None if cycle.cost is None else amount_of(cycle.cost)
    return Run(
        cycle.programme,
        cycle.outcome,
        cycle.start_ms,
        cycle.end_ms,
        cycle.energy_kwh,
        cost,
        cycle.currency,
        heating_kwh(cycle.phases),
        cycle.own_kwh,
        None if cycle.saved is None else amount_of(cycle.saved),
        cycle.key_ms,
    )


@dataclass(frozen=True, slots=True)
class Spread:
    """Middle and spread of some figures: the quartiles are None for fewer than eight of them."""

    low: float
    median: float
    high: float
    quartile_low: float | None = None
    quartile_high: float | None = None

    def as_json(self) -> dict[str, float | None]:
        return {
            "low": self.low,
            "quartile_low": self.quartile_low,
            "median": self.median,
            "quartile_high": self.quartile_high,
            "high": self.high,
        }


def spread_of(values: Sequence[float]) -> Spread | None:
    """Middle and spread; None without values."""
    if not values:
        return None
    low, high = (None, None)
    if len(values) >= ENOUGH_FOR_QUARTILES:
        low, _, high = quantiles(values, n=4, method="inclusive")
    return Spread(min(values), median(values), max(values), low, high)


@dataclass(frozen=True, slots=True)
class CostSpread:
    """Money's middle and spread, exact."""

    low: Fraction
    median: Fraction
    high: Fraction


@dataclass(frozen=True, slots=True)
class ProgrammeRow:
    """One programme on one machine. Figures are of completed cycles; ``stopped`` counts those that were not."""

    programme: str | None
    name: str
    count: int
    stopped: int
    duration_min: Spread | None
    energy_kwh: Spread | None
    cost: CostSpread | None
    currency: str | None
    label_kwh: Decimal | None = None
    label_min: float | None = None
    label: LabelFigures | None = None
    heat: HeatCheck | None = None

    @property
    def energy_against_label(self) -> float | None:
        """Median energy over the label's, 1 being equal."""
        return self.energy_kwh.median / float(self.label_kwh) if self.energy_kwh and self.label_kwh else None

    def as_json(self) -> dict[str, Any]:
        return {
            "programme": self.programme,
            "name": self.name,
            "count": self.count,
            "stopped": self.stopped,
            "duration_min": self.duration_min and self.duration_min.as_json(),
            "energy_kwh": self.energy_kwh and self.energy_kwh.as_json(),
            "cost": self.cost and {k: float(exact_text(getattr(self.cost, k))) for k in ("low", "median", "high")},
            "currency": self.currency,
            "label": None
            if self.label_kwh is None and self.label_min is None
            else {
                "energy_kwh": None if self.label_kwh is None else float(self.label_kwh),
                "duration_min": self.label_min,
                "index": None if self.label is None else float(self.label.index),
                "class": None if self.label is None else self.label.energy_class,
                "standard_kwh": None if self.label is None else float(self.label.standard_kwh),
                "energy_against_label": self.energy_against_label,
            },
            "heat": None
            if self.heat is None
            else {
                "water_kwh": self.heat.water_kwh,
                "measured_kwh": self.heat.measured_kwh,
                "verdict": self.heat.verdict,
                "because": self.heat.because,
            },
        }


def programme_table(runs: Iterable[Run], machine: Machine | None = None) -> list[ProgrammeRow]:
    """One row a programme seen, the most frequent first; cycles that could not be told apart make the last row."""
    groups: dict[str | None, list[Run]] = {}
    for run in runs:
        if run.outcome != "running":
            groups.setdefault(run.programme, []).append(run)
    rows = [_row(programme, found, machine) for programme, found in groups.items()]
    return sorted(rows, key=lambda row: (row.programme is None, -row.count, row.name))


def _row(programme_id: str | None, runs: list[Run], machine: Machine | None) -> ProgrammeRow:
    done = [run for run in runs if run.outcome == "completed"]
    chart = next((p for p in (machine.programmes if machine else ()) if p.id == programme_id), None)
    currency = next((run.currency for run in reversed(done) if run.currency), None)
    costs = [run.cost for run in done if run.cost is not None and run.currency == currency]
    return ProgrammeRow(
        programme_id,
        (chart.name if chart and chart.name else None) or programme_id or "not recognised",
        len(done),
        len(runs) - len(done),
        spread_of([run.duration_min for run in done]),
        spread_of([run.energy_kwh for run in done if run.energy_kwh is not None]),
        CostSpread(min(costs), median(costs), max(costs)) if costs else None,
        currency,
        stated_energy_kwh(machine, chart) if machine and chart else None,
        chart.label.duration_min if chart and chart.label else None,
        label_figures(machine, chart) if machine and chart else None,
        _heat(chart, done) if chart else None,
    )


def _heat(chart: Programme, done: list[Run]) -> HeatCheck | None:
    """The median heating energy against the programme's water, where the machine file has litres and kelvins."""
    heats = [run.heat_kwh for run in done if run.heat_kwh]
    if not heats or chart.heated_water_l is None or chart.temperature_rise_k is None:
        return None
    return check_heat(median(heats), chart.heated_water_l, chart.temperature_rise_k)
