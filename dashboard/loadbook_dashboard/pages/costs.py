"""What programmes cost, when to start one, and the month's statement."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from typing import Any

from flask import Blueprint, Response, abort, render_template, request
from loadbook.cost.label import NOTE
from loadbook.cost.local_time import offset_ms
from loadbook.cost.money import shown
from loadbook.cost.programmes import programme_table
from loadbook.cost.start import MINUTE_MS, StartCosts, start_costs, starts_within
from loadbook.cost.statement import Statement, parse_month
from loadbook.costing import StoreSource, programme_shape, site_costs, site_statement
from loadbook.errors import InputError, LoadbookError
from loadbook.paper import pdf_of_html
from loadbook.statement_text import NOTES, as_csv, as_html, besides, headline, money, rows, standing
from loadbook.store.choose import open_reader
from markupsafe import Markup

from loadbook_dashboard.api import machine_or_404
from loadbook_dashboard.parts import parts
from loadbook_dashboard.start_curve import draw

blueprint = Blueprint("costs", __name__)

HOURS = (12, 24, 48)
EVERY_MIN = 15


@contextmanager
def _sources(machines: list[str]) -> Iterator[list[StoreSource]]:
    here = parts()
    reader = open_reader(here.settings, here.folder)
    found: list[StoreSource] = []
    try:
        found.extend(StoreSource(here.settings, here.folder, reader, machine) for machine in machines)
        yield found
    finally:
        for source in found:
            source.close()
        reader.close()


@blueprint.get("/machines/<machine>/programmes")
def programmes(machine: str) -> str:
    """The programmes seen on a machine."""
    row = machine_or_404(machine)
    with _sources([machine]) as (source,):
        table = programme_table(source.runs(), source.machine)
    return render_template("costs_programmes.html", m=row, rows=table, note=NOTE, money=money)


@blueprint.get("/machines/<machine>/when")
def when(machine: str) -> str:
    """When to start a programme so that it costs least."""
    row = machine_or_404(machine)
    here = parts()
    hours = request.args.get("hours", type=int, default=24)
    if hours not in HOURS:
        abort(400, "hours must be 12, 24 or 48.")
    programme = request.args.get("programme") or None
    told: dict[str, Any] = {"m": row, "hours": hours, "choices": HOURS, "programme": programme, "refused": ""}
    try:
        costs = site_costs(here.settings, here.folder)
        if costs.tariff is None:
            raise InputError('no tariff is set; name one in the settings file: tariff = "quay-two-rates"')
        with _sources([machine]) as (source,):
            name, shape = programme_shape(source, programme)
        begin_ms = here.now_ms()
        offset = offset_ms(begin_ms, here.time.zone)
        starts = starts_within(begin_ms, begin_ms + hours * 60 * MINUTE_MS, EVERY_MIN, offset)
        found = start_costs(costs.tariff, shape, starts, costs.curve)
        best = found.cheapest()
        if best is None:
            raise InputError(f"the tariff {costs.tariff.name} knows no price for the hours to come")
    except LoadbookError as bad:
        return render_template("costs_when.html", **told | {"refused": str(bad)})
    told |= {"name": name, "energy_kwh": shape.energy_kwh, "length_ms": shape.length_ms, "tariff": costs.tariff.name}
    return render_template("costs_when.html", **told, **_starts(found, best))


def _starts(found: StartCosts, best: int) -> dict[str, Any]:
    """Now, the cheapest and the dearest start, the curve, and the same by the hour."""

    def start(index: int) -> dict[str, Any]:
        amount = found.amount(index)
        return {
            "at_ms": int(found.starts_ms[index]),
            "cost": shown(amount, found.currency) if amount is not None else "—",
        }

    amounts = [found.amount(i) for i in range(len(found.starts_ms))]
    curve = [None if a is None else float(a) for a in amounts]
    saving = found.saving(best)
    dearest = found.dearest()
    times, zone = found.starts_ms.tolist(), parts().time
    return {
        "now": start(0),
        "best": start(best),
        "dearest": start(best if dearest is None else dearest),
        "flat": len(set(amounts)) == 1,
        "saving": shown(saving, found.currency) if saving is not None and best else None,
        "svg": Markup(draw(times, curve, best, zone, found.currency)),
        "svg_narrow": Markup(draw(times, curve, best, zone, found.currency, width=420)),
        "table": [start(i) for i in range(0, len(amounts), 4)],
    }


def _statement() -> Statement:
    here = parts()
    try:
        month = parse_month(request.args.get("month") or f"{here.time.local(here.now_ms()):%Y-%m}", here.time.zone)
        tariff = site_costs(here.settings, here.folder).tariff
    except InputError as bad:
        abort(400, f"{bad}.")
    with _sources([m.id for m in here.queries.machines()]) as found:
        return site_statement(found, month, here.settings.site.title, tariff, here.now_ms())


@blueprint.get("/statement")
def statement() -> str:
    """The month's statement."""
    made = _statement()
    first = made.month.first
    before = first - timedelta(days=1)
    after = made.month.last + timedelta(days=1)
    today = parts().time.local(parts().now_ms()).date()
    return render_template(
        "costs_statement.html",
        s=made,
        rows=rows,
        besides=besides,
        headline=headline(made),
        standing=standing(made),
        notes=NOTES,
        total_cost=money(made.total.cost, made.total.currency),
        before=f"{before:%Y-%m}",
        after=f"{after:%Y-%m}" if after <= date(today.year, today.month, 1) else None,
    )


@blueprint.get("/statement.csv")
def statement_csv() -> Response:
    """The month's loads, a row each."""
    made = _statement()
    return _file(as_csv(made).encode("utf-8"), "text/csv; charset=utf-8", f"statement-{made.month}.csv")


@blueprint.get("/statement.pdf")
def statement_pdf() -> Response:
    """The statement for paper."""
    made = _statement()
    try:
        data = pdf_of_html(as_html(made))
    except LoadbookError as bad:
        abort(503, f"{bad}.")
    return _file(data, "application/pdf", f"statement-{made.month}.pdf")


def _file(data: bytes, mimetype: str, name: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(data, content_type=mimetype, headers=headers)
