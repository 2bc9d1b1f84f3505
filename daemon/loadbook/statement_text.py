"""The month's statement as text, as CSV and as HTML for paper: one page a machine. Figures are made in ``cost``."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import datetime
from fractions import Fraction
from html import escape

from loadbook.assessment_text import table
from loadbook.cost.money import exact_text, shown
from loadbook.cost.statement import Loads, MachineStatement, Statement
from loadbook.events import iso

TITLES = ["programme", "loads", "kWh", "cost", "per load"]
CSV_COLUMNS = (
    "month", "machine", "name", "programme", "start", "end", "outcome", "energy_kwh", "cost", "currency", "own_kwh",
    "saved",
)  # fmt: skip
NOTES = (
    "A load belongs to the month in which it began. A load's cost is that of its own energy; the standing charge and "
    "the energy drawn while idle are shown apart.",
    "Measured by an energy meter of the site, not by the supplier's: local rules say whether it may be billed by.",
)
_STYLE = (
    '@page { size: A4; margin: 16mm; @bottom-right { content: "page " counter(page) " of " counter(pages); '
    'font: 8pt "DejaVu Sans", sans-serif; } }'
    'body { font: 9.5pt/1.4 "DejaVu Sans", sans-serif; color: #1a1a1a; }'
    "section + section { break-before: page; } h1 { font-size: 16pt; margin: 0; } h2 { font-size: 12pt; }"
    "table { border-collapse: collapse; width: 100%; } th, td { text-align: left; padding: 1mm 3mm 1mm 0; "
    "border-bottom: .2mm solid #bbb; } thead th, tfoot td, tfoot th { border-bottom: .4mm solid #1a1a1a; }"
    ".n { text-align: right; } .small { font-size: 8pt; color: #444; }"
)


def money(amount: Fraction | None, currency: str | None) -> str:
    """An amount half up to the currency's smallest unit; ``not known`` where it is not."""
    return "not known" if amount is None or currency is None else shown(amount, currency)


def rows(machine: MachineStatement) -> Iterator[list[str]]:
    """Programme, loads, kWh, cost and cost per load; the last row is all loads together."""
    for group in (*machine.programmes, machine.loads):
        name = "all loads" if group is machine.loads else group.name
        yield [name, str(group.count), f"{group.energy_kwh:.2f}", *_money(group)]


def _money(group: Loads) -> tuple[str, str]:
    if not group.count:
        return "", ""
    return money(group.cost, group.currency), money(group.per_load, group.currency)


def besides(machine: MachineStatement) -> Iterator[str]:
    """What stands beside the loads, in sentences."""
    loads, metered = machine.loads, machine.metered
    if loads.stopped:
        yield f"{loads.stopped} of the loads stopped early."
    if loads.unpriced:
        yield f"For {loads.unpriced} of the loads no price is known, so the sum is not known."
    if loads.own_kwh is not None:
        saved = f", which saved {money(loads.saved, loads.currency)}" if loads.saved is not None else ""
        yield f"Own energy: {loads.own_kwh:.2f} kWh{saved}."
    if metered is None:
        yield "The meter has no readings of this month."
        return
    all_cost = f", {metered.cost.shown()}" if metered.cost is not None and metered.cost.shown() else ""
    idle = f"of it outside loads {machine.idle_kwh or 0:.2f} kWh"
    yield f"Metered in all: {metered.energy_kwh:.2f} kWh{all_cost}; {idle}."
    if metered.counter_kwh is not None and metered.off_by is not None:
        yield f"The meter's own counter: {metered.counter_kwh:.2f} kWh; integrated power is {metered.off_by:+.1%} off."


def headline(statement: Statement) -> str:
    """The place and the month, and until when where the month is not over."""
    until = ""
    if statement.until_ms is not None:
        until = f" until {datetime.fromtimestamp(statement.until_ms / 1000, statement.month.zone):%d %b %H:%M}"
    return f"{statement.title}, {statement.month.first:%B %Y}{until}"


def standing(statement: Statement) -> str:
    """The tariff and its standing charge, which is the site's and no load's."""
    if statement.tariff is None:
        return "No tariff is set, so nothing is priced."
    charge = ""
    if statement.standing:
        charge = f" Standing charge of the site for the days covered: {money(statement.standing, statement.currency)}."
    return f"Tariff: {statement.tariff}.{charge}"


def as_text(statement: Statement) -> str:
    """The statement for a terminal."""
    lines = [headline(statement), standing(statement)]
    for machine in statement.machines:
        lines += ["", f"{machine.name}{f', {machine.place}' if machine.place else ''}"]
        lines += table(TITLES, list(rows(machine)), right=TITLES[1:]) if machine.loads.count else ["  No load."]
        lines += [f"  {line}" for line in besides(machine)]
    total = statement.total
    if len(statement.machines) > 1 and total.count:
        cost = money(total.cost, total.currency)
        lines += ["", f"All machines: {total.count} loads, {total.energy_kwh:.2f} kWh, {cost}."]
    return "\n".join([*lines, "", *NOTES])


def as_csv(statement: Statement) -> str:
    """One row a load (RFC 4180). Money is not rounded here, so that the column adds up to the statement's sum."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(CSV_COLUMNS)
    for machine in statement.machines:
        names = {run: group.name for group in machine.programmes for run in group.runs}
        for run in machine.loads.runs:
            amounts = ["" if amount is None else exact_text(amount) for amount in (run.cost, run.saved)]
            names_of_it = map(_words, (machine.machine_id, machine.name, names[run]))
            writer.writerow([
                str(statement.month), *names_of_it, iso(run.start_ms), iso(run.end_ms),
                run.outcome, _kwh(run.energy_kwh), amounts[0], run.currency or "", _kwh(run.own_kwh), amounts[1],
            ])  # fmt: skip
    return out.getvalue()


def _words(text: str) -> str:
    """A name that a spreadsheet does not take for a formula: what begins like one gets an apostrophe before it."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def _kwh(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}"


def as_html(statement: Statement) -> str:
    """The statement for paper, everything inside it: one section, and so one page, a machine."""
    pages = [_page(statement, machine) for machine in statement.machines] or ["<p>No machine.</p>"]
    title = escape(f"Statement, {headline(statement)}")
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{title}</title><style>{_STYLE}</style>'
        f"</head><body>{''.join(pages)}</body></html>"
    )


def _page(statement: Statement, machine: MachineStatement) -> str:
    def row(cells: list[str], tag: str) -> str:
        rest = "".join(f'<td class="n">{escape(c)}</td>' for c in cells[1:])
        return f'<tr><{tag} scope="row">{escape(cells[0])}</{tag}>{rest}</tr>'

    cells_of = list(rows(machine))
    head = "".join(f'<th scope="col"{" class=n" if i else ""}>{t}</th>' for i, t in enumerate(TITLES))
    body = "".join(row(cells, "th") for cells in cells_of[:-1])
    foot = row(cells_of[-1], "th")
    beside = "".join(f"<p>{escape(line)}</p>" for line in besides(machine))
    notes = "".join(f'<p class="small">{escape(note)}</p>' for note in NOTES)
    place = f", {machine.place}" if machine.place else ""
    return (
        f"<section><h1>Statement</h1><p>{escape(headline(statement))}</p><h2>{escape(machine.name + place)}</h2>"
        f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody><tfoot>{foot}</tfoot></table>{beside}"
        f"<p>{escape(standing(statement))}</p>{notes}</section>"
    )
