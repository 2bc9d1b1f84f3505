"""What the commands about costs share: their arguments for a log or a site's record, and opening either."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

from loadbook.clock import clock_of_environment
from loadbook.cost.money import shown
from loadbook.cost.solar_curve import SolarCurve
from loadbook.cost.tariff import Tariff
from loadbook.costing import LogSource, SiteCosts, Source, StoreSource, load_solar, machines_of, site_costs, zone_of
from loadbook.errors import InputError
from loadbook.files import find_log, find_machine, load_machine, load_settings
from loadbook.logs import read_log
from loadbook.settings import Settings
from loadbook.store.sqlite_readings import SqliteReader
from loadbook.tariff_files import load_tariff, tariff_path


@dataclass(frozen=True, slots=True)
class Opened:
    """What a command works on: machines' runs and readings, and what they are costed with."""

    sources: list[Source]
    settings: Settings
    costs: SiteCosts
    zone: ZoneInfo

    @property
    def source(self) -> Source:
        return self.sources[0]

    def needs_tariff(self) -> Tariff:
        """The tariff. Raises InputError where there is none."""
        if self.costs.tariff is None:
            raise InputError("a tariff is needed: give --tariff FILE, or set it in the settings file")
        return self.costs.tariff


def add_arguments(parser: argparse.ArgumentParser, *, solar: bool = True, json: bool = True) -> None:
    """Arguments that say where runs come from and what they are costed with."""
    parser.add_argument("log", nargs="?", type=Path, metavar="LOG", help="a log (CSV, plain or gzipped), or the name "
                        "of one that comes along; without it the record of the site in --config")  # fmt: skip
    parser.add_argument("--machine", type=Path, metavar="FILE", help="with LOG: its machine file, or the name of one "
                        "that comes along; with --config: the machine's id")  # fmt: skip
    parser.add_argument("--meter", metavar="NAME", help="with LOG: the meter to take, where it has several")
    parser.add_argument("--config", type=Path, metavar="FILE", help="settings file of a site")
    parser.add_argument("--tariff", metavar="FILE", help="tariff file, or the name of one that comes along (default: "
                        "the site's)")  # fmt: skip
    if solar:
        parser.add_argument("--solar", type=Path, metavar="FILE", help="CSV of the usual generation (default: the "
                            "site's)")  # fmt: skip
    if json:
        parser.add_argument("--json", action="store_true", help="print one JSON object instead of text")


@contextmanager
def opened(args: argparse.Namespace, all_machines: bool = False) -> Iterator[Opened]:
    """The log, or the site's machine (or all of its machines). Raises InputError or StartError."""
    settings = load_settings(args.config) if args.config else Settings()
    folder = args.config.parent if args.config else Path()
    costs = site_costs(settings, folder) if args.config and not args.tariff else SiteCosts(None, None)
    tariff = load_tariff(tariff_path(args.tariff)) if args.tariff else costs.tariff
    curve = _curve(args, settings, folder, costs, tariff)
    zone = zone_of(settings) if args.config else (tariff.zone if tariff else ZoneInfo("UTC"))
    if args.log is not None:
        machine = load_machine(find_machine(args.machine)) if args.machine else None
        log = read_log(find_log(args.log), args.meter)
        for note in log.report.notes():
            print(f"{args.log}: {note}", file=sys.stderr)
        yield Opened([LogSource(log, machine, settings, tariff)], settings, SiteCosts(tariff, curve), zone)
        return
    if not args.config:
        raise InputError("say what to look at: a LOG, or --config FILE for the record of a site")
    reader = SqliteReader.open(folder / settings.store.folder)
    stores: list[StoreSource] = []
    try:
        ids = _wanted(args, settings, folder, all_machines)
        stores.extend(StoreSource(settings, folder, reader, machine_id) for machine_id in ids)
        yield Opened(list(stores), settings, SiteCosts(tariff, curve), zone)
    finally:
        for store in stores:
            store.close()
        reader.close()


def _curve(
    args: argparse.Namespace, settings: Settings, folder: Path, costs: SiteCosts, tariff: Tariff | None
) -> SolarCurve | None:
    zone = tariff.file.tariff.time_zone if tariff else settings.site.time_zone
    if getattr(args, "solar", None):
        return load_solar(args.solar, zone)
    if costs.curve is None and settings.solar.curve:
        return load_solar(folder / settings.solar.curve, zone)
    return costs.curve


def _wanted(args: argparse.Namespace, settings: Settings, folder: Path, all_machines: bool) -> list[str]:
    known = machines_of(settings, folder)
    if args.machine:
        return [str(args.machine)]
    if all_machines or len(known) == 1:
        return known
    raise InputError(f"say which machine with --machine ID; the site has: {', '.join(known) or 'none yet'}")


def instant_ms(text: str, zone: ZoneInfo) -> int:
    """A time a person gave: ISO 8601; without an offset it is on the clocks of ``zone``. Raises InputError."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(f"{text!r} is no time; write it as 2026-11-25T18:00 or 2026-11-25T18:00Z") from None
    return round((at if at.tzinfo else at.replace(tzinfo=zone)).timestamp() * 1000)


def now_ms() -> int:
    """The board's clock."""
    return clock_of_environment().now_ms()


def local(at_ms: int, zone: ZoneInfo, form: str = "%a %d %b %H:%M") -> str:
    """An instant on the clocks of ``zone``."""
    return datetime.fromtimestamp(at_ms / 1000, zone).strftime(form)


def money(amount: Fraction | None, currency: str | None) -> str:
    """An amount as people read it; empty where it is not known."""
    return "" if amount is None or currency is None else shown(amount, currency)
