"""``loadbook when``: what a programme would cost at every start in a window, and the cheapest."""

from __future__ import annotations

import argparse
import json
from typing import Any

from loadbook.commands.sources import Opened, add_arguments, instant_ms, local, money, now_ms, opened
from loadbook.cost.local_time import offset_ms
from loadbook.cost.money import exact_text
from loadbook.cost.start import (
    MINUTE_MS,
    MJ_PER_KWH,
    Shape,
    StartCosts,
    shape_of,
    start_costs,
    starts_within,
)
from loadbook.costing import programme_shape
from loadbook.errors import InputError
from loadbook.events import iso

HOUR_MS = 3_600_000


def register(subparsers: Any) -> None:
    """Add ``when`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "when",
        help="when to start a programme so that it costs least",
        description="Takes the measured shape of a programme (a run whose energy lies in the middle of those seen) and "
        "works out what it would cost at every start in the window, the cheapest start, and what that saves against "
        "starting now.",
        epilog="Example: loadbook when washer-healthy --tariff quay-half-hours --from 2026-11-10T17:00 --hours 24",
    )
    add_arguments(parser)
    parser.add_argument("--programme", metavar="ID", help="the programme (default: the one run most often)")
    parser.add_argument("--whole-log", action="store_true", help="with LOG: take all of it as the programme's shape")
    parser.add_argument("--from", dest="begin", metavar="TIME", help="where the window begins (default: now)")
    parser.add_argument("--hours", type=float, default=24.0, help="how long the window is, h (default: 24)")
    parser.add_argument("--ready-by", metavar="TIME", help="the programme must have ended by then")
    parser.add_argument("--every", type=int, default=15, metavar="MIN", help="minutes between starts (default: 15)")
    parser.add_argument("--list", action="store_true", help="print every start")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the starts. Exit status 0, or 2 where the input cannot be used."""
    if not 1 <= args.every <= 1440:
        raise InputError("--every must be from 1 to 1440 min")
    if not 0 < args.hours <= 24 * 400:
        raise InputError("--hours must be more than 0 and at most 9600")
    with opened(args) as site:
        tariff = site.needs_tariff()
        name, shape = _shape(args, site)
        zone = tariff.zone
        begin_ms = instant_ms(args.begin, zone) if args.begin else now_ms()
        last_ms = begin_ms + round(args.hours * HOUR_MS)
        if args.ready_by:
            last_ms = min(last_ms, instant_ms(args.ready_by, zone) - shape.length_ms)
        starts = starts_within(begin_ms, last_ms, args.every, offset_ms(begin_ms, zone))
        costs = start_costs(tariff, shape, starts, site.costs.curve)
        best = costs.cheapest()
        if best is None:
            raise InputError(f"the tariff {tariff.name!r} knows no price for any start in this window")
        if args.json:
            print(json.dumps(_as_json(name, shape, costs, best), indent=1, ensure_ascii=False))
        else:
            print("\n".join(_as_text(args, site, (name, shape), costs, best)))
    return 0


def _shape(args: argparse.Namespace, site: Opened) -> tuple[str, Shape]:
    if not args.whole_log:
        return programme_shape(site.source, args.programme)
    last_ms = site.source.last_ms()
    if args.log is None or last_ms is None:
        raise InputError("--whole-log goes with a LOG that has readings")
    return site.source.name, shape_of(site.source.series(0, last_ms + 1))


def _as_json(name: str, shape: Shape, costs: StartCosts, best: int) -> dict[str, Any]:
    def start(index: int) -> dict[str, Any]:
        amount = costs.amount(index)
        at_ms = int(costs.starts_ms[index])
        return {
            "start": iso(at_ms),
            "end": iso(at_ms + shape.length_ms),
            "cost": None if amount is None else float(exact_text(amount)),
            "own_kwh": int(costs.own_mj[index]) / MJ_PER_KWH,
        }

    saving = costs.saving(best)
    return {
        "programme": name,
        "energy_kwh": shape.energy_kwh,
        "duration_min": shape.length_ms / MINUTE_MS,
        "currency": costs.currency,
        "now": start(0),
        "cheapest": start(best),
        "saving": None if saving is None else float(exact_text(saving)),
        "starts": [start(index) for index in range(len(costs.starts_ms))],
    }


def _as_text(
    args: argparse.Namespace, site: Opened, what: tuple[str, Shape], costs: StartCosts, best: int
) -> list[str]:
    tariff, (name, shape) = site.needs_tariff(), what
    minutes = shape.length_ms // MINUTE_MS

    def line(index: int) -> str:
        at_ms = int(costs.starts_ms[index])
        amount = money(costs.amount(index), costs.currency) or "no price known"
        own = f", {int(costs.own_mj[index]) / MJ_PER_KWH:.2f} kWh of it own" if site.costs.curve is not None else ""
        until = local(at_ms + shape.length_ms, tariff.zone, "%H:%M")
        return f"{local(at_ms, tariff.zone)} to {until}  {amount}{own}"

    lines = [
        f"{name}: {shape.energy_kwh:.2f} kWh in {minutes // 60}:{minutes % 60:02d} h, as measured; {tariff.name}",
        f"  now       {line(0)}",
        f"  cheapest  {line(best)}",
    ]
    dearest = costs.dearest()
    if dearest is not None and costs.amount(dearest) != costs.amount(best):
        lines.append(f"  dearest   {line(dearest)}")
    saving = costs.saving(best)
    if saving:
        lines.append(f"Starting {local(int(costs.starts_ms[best]), tariff.zone)} saves "
                     f"{money(saving, costs.currency)} against now.")  # fmt: skip
    elif saving is not None:
        lines.append("Starting now costs no more than any later start in this window.")
    if not costs.known.all():
        lines.append(f"No price is known for {int((~costs.known).sum())} of {len(costs.known)} starts.")
    if args.list:
        lines += ["", *(f"  {line(index)}" for index in range(len(costs.starts_ms)))]
    return lines
