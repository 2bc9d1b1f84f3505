"""``loadbook programmes``: the programmes seen on a machine, what they take and cost, and what their label states."""

from __future__ import annotations

import argparse
import json
from typing import Any

from loadbook.assessment_text import table
from loadbook.commands.sources import add_arguments, money, opened
from loadbook.cost.label import NOTE
from loadbook.cost.programmes import CostSpread, ProgrammeRow, Spread, programme_table
from loadbook.costing import Source

TITLES = ["programme", "runs", "min", "kWh", "cost", "label kWh", "label class", "against label"]


def register(subparsers: Any) -> None:
    """Add ``programmes`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "programmes",
        help="compare the programmes seen on a machine",
        description="Median time, energy and cost of each programme's completed runs, their spread, how many there "
        "were, and what the energy label states where the machine file has it.",
    )
    add_arguments(parser, solar=False)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the tables. Exit status 0, or 2 where the input cannot be used."""
    with opened(args, all_machines=True) as site:
        tables = [(source, programme_table(source.runs(), source.machine)) for source in site.sources]
        if args.json:
            whole = [
                {"machine": s.machine_id, "name": s.name, "programmes": [r.as_json() for r in t]} for s, t in tables
            ]
            print(json.dumps({"machines": whole, "note": NOTE}, indent=1, ensure_ascii=False))
        else:
            print("\n\n".join("\n".join(as_text(source, rows)) for source, rows in tables))
    return 0


def as_text(source: Source, rows: list[ProgrammeRow]) -> list[str]:
    """One machine's table in words."""
    if not rows:
        return [f"{source.name}: no finished cycle on record yet."]
    lines = [source.name, *table(TITLES, [_row(row) for row in rows], right=TITLES[1:])]
    lines.append("  Medians of completed runs; in brackets the least and the most, from eight runs on the quartiles.")
    stopped = sum(row.stopped for row in rows)
    if stopped:
        lines.append(f"  Runs that stopped early are left out: {stopped}.")
    if any(row.label_kwh is not None for row in rows):
        lines.append(f"  {NOTE}")
    lines += [f"  {row.name}: {row.heat.because}." for row in rows if row.heat is not None]
    return lines


def _row(row: ProgrammeRow) -> list[str]:
    against = row.energy_against_label
    return [
        row.name,
        str(row.count),
        _spread(row.duration_min, 0),
        _spread(row.energy_kwh, 2),
        _cost(row.cost, row.currency),
        "" if row.label_kwh is None else f"{row.label_kwh:.2f}",
        "" if row.label is None else f"{row.label.energy_class} ({row.label.index})",
        "" if against is None else f"{against - 1:+.0%}",
    ]


def _spread(spread: Spread | None, decimals: int) -> str:
    if spread is None:
        return ""
    low = spread.low if spread.quartile_low is None else spread.quartile_low
    high = spread.high if spread.quartile_high is None else spread.quartile_high
    middle = f"{spread.median:.{decimals}f}"
    return middle if spread.low == spread.high else f"{middle} ({low:.{decimals}f} to {high:.{decimals}f})"


def _cost(cost: CostSpread | None, currency: str | None) -> str:
    if cost is None:
        return ""
    middle = money(cost.median, currency)
    if cost.low == cost.high or currency is None:
        return middle
    low, high = (money(amount, currency).removesuffix(f" {currency}") for amount in (cost.low, cost.high))
    return f"{middle} ({low} to {high})"
