"""``loadbook cost``: what the cycles in a log cost, by phase and price band, own and bought."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any, cast

from loadbook.assessment_text import lasted, table
from loadbook.commands.sources import Opened, add_arguments, local, money, opened
from loadbook.cost.energy_curve import EnergyCurve
from loadbook.cost.heat import check_heat, heating_kwh
from loadbook.cost.money import exact_text
from loadbook.cost.price import Cost, price_curve
from loadbook.cost.solar import SolarCost, price_with_curve, price_with_meter
from loadbook.cost.tariff import Tariff
from loadbook.costing import LogSource, metered_of
from loadbook.errors import InputError
from loadbook.events import Cycle, Phase, iso
from loadbook.files import find_log
from loadbook.logs import read_log
from loadbook.reading import HOLD_MS, Series

TITLES = ["phase", "stage", "from", "lasted", "kWh", "cost"]
RIGHT = {"lasted", "kWh", "cost"}


def register(subparsers: Any) -> None:
    """Add ``cost`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "cost",
        help="cost the cycles in a log, by phase and price band",
        description="Costs each cycle of a log under a tariff, by phase and by price band; with a second meter or a "
        "solar curve split into own and bought energy.",
    )
    add_arguments(parser)
    parser.add_argument("--second", type=Path, metavar="LOG", help="log of a second meter over the same time")
    parser.add_argument("--second-measures", choices=("generation", "grid"), default="generation",
                        help="what that is: what the roof gives, or the grid connection, import positive "
                        "(default: generation)")  # fmt: skip
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print each cycle's cost. Exit status 0, or 2 where the input cannot be used."""
    if args.log is None:
        raise InputError("loadbook cost takes a LOG; a site's record is in `loadbook statement` and on the dashboard")
    with opened(args) as site:
        tariff, source = site.needs_tariff(), cast(LogSource, site.source)
        second = read_log(find_log(args.second)).series if args.second else None
        curve = EnergyCurve(source.log.series)
        rows = []
        for cycle in source.cycles:
            cost = price_curve(tariff, curve, cycle.start_ms, cycle.end_ms)
            phases = [_phase_cost(tariff, curve, phase) for phase in cycle.phases]
            rows.append((cycle, cost, phases, _solar(args, site, second, cycle)))
        if args.json:
            print(json.dumps({"cycles": [_as_json(*row) for row in rows]}, indent=1, ensure_ascii=False))
        else:
            print("\n\n".join("\n".join(_as_text(site, *row)) for row in rows) or "No cycle in this log.")
    return 0


def _phase_cost(tariff: Tariff, curve: EnergyCurve, phase: Phase) -> Cost | None:
    if phase.start_ms is None or phase.end_ms is None:
        return None
    return price_curve(tariff, curve, phase.start_ms, phase.end_ms)


def _solar(args: argparse.Namespace, site: Opened, second: Series | None, cycle: Cycle) -> SolarCost | None:
    tariff = site.needs_tariff()
    series = site.source.series(cycle.start_ms - HOLD_MS, cycle.end_ms + HOLD_MS)
    span = (cycle.start_ms, cycle.end_ms)
    if second is not None:
        return price_with_meter(tariff, series, second, args.second_measures, start_ms=span[0], end_ms=span[1])
    if site.costs.curve is not None:
        return price_with_curve(tariff, series, site.costs.curve, *span)
    return None


def _as_json(cycle: Cycle, cost: Cost, phases: list[Cost | None], solar: SolarCost | None) -> dict[str, Any]:
    return {
        "start": iso(cycle.start_ms),
        "end": iso(cycle.end_ms),
        "programme": cycle.programme,
        "energy_kwh": cost.energy_kwh,
        "cost": _number(cost.text()),
        "tax": None if cost.tax is None else _number(exact_text(cost.tax)),
        "currency": cost.currency,
        "bands": [{"name": b.name, "energy_kwh": b.energy_kwh, "cost": float(exact_text(b.gross))} for b in cost.bands],
        "phases": [
            {
                "id": phase.id,
                "stage": phase.stage,
                "energy_kwh": None if part is None else part.energy_kwh,
                "cost": None if part is None else _number(part.text()),
            }
            for phase, part in zip(cycle.phases, phases, strict=True)
        ],
        "solar": None
        if solar is None
        else {
            "own_kwh": solar.own_kwh,
            "bought_kwh": solar.bought.energy_kwh,
            "own_share": solar.own_share,
            "cost": _number(solar.text()),
            "saved": None if solar.saved is None else _number(exact_text(solar.saved)),
        },
    }


def _number(text: str | None) -> float | None:
    return None if text is None else float(text)


def _as_text(site: Opened, cycle: Cycle, cost: Cost, phases: list[Cost | None], solar: SolarCost | None) -> list[str]:
    zone, source = site.needs_tariff().zone, site.source
    name = source.programme_names().get(cycle.programme or "", cycle.programme or "programme not recognised")
    paid = cost.shown() or "no price known for some of it"
    tax = f", of it {money(cost.tax, cost.currency)} tax" if cost.tax else ""
    span = f"{local(cycle.start_ms, zone)} to {local(cycle.end_ms, zone, '%H:%M')}"
    lines = [f"{name}, {span}: {cost.energy_kwh:.3f} kWh, {paid}{tax}"]
    if len(cost.bands) > 1:
        lines += [f"  {b.name}: {b.energy_kwh:.3f} kWh, {money(b.gross, cost.currency)}" for b in cost.bands]
    rows = [
        [
            phase.id or "",
            phase.stage,
            local(phase.start_ms, zone, "%H:%M:%S"),
            lasted((phase.end_ms or phase.start_ms) - phase.start_ms),
            f"{part.energy_kwh:.3f}",
            part.shown() or "",
        ]
        for phase, part in zip(cycle.phases, phases, strict=True)
        if phase.start_ms is not None and part is not None
    ]
    if rows:
        lines += table(TITLES, rows, right=RIGHT)
    if solar is not None and solar.own_share is not None:
        lines.append(
            f"  Own energy {solar.own_kwh:.3f} kWh ({solar.own_share:.0%}), bought {solar.bought.energy_kwh:.3f} kWh: "
            f"{money(solar.total, cost.currency)} in all (own energy at what exporting it would have earned), "
            f"{money(solar.saved, cost.currency)} saved against buying all"
        )
    return lines + _checks(site, cycle)


def _checks(site: Opened, cycle: Cycle) -> list[str]:
    """The counter against integration, and the heating energy against the water."""
    lines = []
    metered = metered_of(site.source.series(cycle.start_ms, cycle.end_ms + 1), None)
    if metered is not None and metered.counter_kwh is not None and metered.off_by is not None:
        lines.append(
            f"  The meter's counter says {metered.counter_kwh:.3f} kWh; integrated power is {metered.off_by:+.1%} off"
        )
    machine = site.source.machine
    chart = next((p for p in machine.programmes if p.id == cycle.programme), None) if machine else None
    if chart is not None and chart.heated_water_l is not None and chart.temperature_rise_k is not None:
        heat = check_heat(heating_kwh(cycle.phases), chart.heated_water_l, chart.temperature_rise_k)
        if heat is not None:
            lines.append(f"  {heat.because}")
    return lines
