"""A dashboard over a seeded store, served by waitress on a free loopback port, for the browser to look at."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from loadbook.reading import Reading
from loadbook.settings import Settings, parse_settings
from loadbook.store.connect import LEDGER_FILE
from loadbook.store.people import PeopleRows
from loadbook.store.sqlite_readings import SqliteReader
from loadbook_dashboard import create_app
from loadbook_dashboard.parts import Parts
from loadbook_dashboard.people import People
from loadbook_dashboard.queries import Queries
from loadbook_dashboard.requests import RefusedError
from loadbook_dashboard.stream import Hub
from loadbook_dashboard.web import Web

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dashboard"))

from seeded import NOW_MS, seed

SETTINGS = """
[site]
name = "quay-street"
title = "Quay Street laundry"
time_zone = "Atlantic/Azores"
[dashboard]
event_streams = 24
[[line]]
id = "quay"
kind = "modbus_rtu"
port = "/dev/ttyUSB0"
[[line.meter]]
id = "m1"
map = "float32"
machine = "quay-washer-1"
[[line.meter]]
id = "m2"
map = "float32"
unit_id = 2
machine = "harbour-dish-2"
[[line.meter]]
id = "m3"
map = "float32"
unit_id = 3
machine = "quay-dryer-3"
[[line]]
id = "pier"
kind = "modbus_tcp"
host = "127.0.0.1"
[[line.meter]]
id = "m4"
map = "sunspec"
machine = "pier-washer-4"
[[line.meter]]
id = "m5"
map = "sunspec"
unit_id = 2
machine = "pier-dish-5"
"""


@dataclass
class Noting:
    """An asker that notes what it is asked; refuses when told to."""

    asked: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    refuse: str = ""
    act: Callable[[str, dict[str, Any]], None] | None = None

    def ask(self, action: str, **what: Any) -> dict[str, Any]:
        if self.refuse:
            raise RefusedError(self.refuse)
        self.asked.append((action, what))
        if self.act is not None:
            self.act(action, what)
        return {"ok": True}


@dataclass
class Site:
    """A served scene: its parts, its address."""

    parts: Parts
    address: str
    folder: Path


def settings(folder: Path, dashboard: str = "") -> Settings:
    """The site's settings, with its store in ``folder``; ``dashboard``: further lines of that table."""
    text = SETTINGS.replace("event_streams = 24", f"event_streams = 24\n{dashboard}")
    return parse_settings(f'tariff = "quay-two-rates"\n{text}[store]\nfolder = "{folder}"\n', "test")


def parts_over(folder: Path, now_ms: Callable[[], int] = lambda: NOW_MS, dashboard: str = "") -> Parts:
    """The parts of a dashboard over the store in ``folder``, with no broker behind it."""

    @contextmanager
    def readings() -> Iterator[SqliteReader]:
        with closing(SqliteReader.open(folder)) as reader:
            yield reader

    hub = Hub(24)
    hub.linked = True
    return Parts(
        settings(folder, dashboard),
        Queries(folder / LEDGER_FILE),
        readings,
        hub,
        Noting(),
        now_ms,
        People(PeopleRows(folder)),
    )


def seeded_parts(folder: Path) -> Parts:
    """A seeded store, the meters' last readings on the air, and what the poller says of them."""
    seed(folder)
    parts = parts_over(folder)
    parts.hub.reading("m1", Reading(NOW_MS - 400, power_w=131.4, voltage_v=231.6, power_factor=0.58))
    parts.hub.reading("m2", Reading(NOW_MS - 300, power_w=91.8, voltage_v=229.1, power_factor=0.62))
    parts.hub.reading("m3", Reading(NOW_MS - 500, power_w=1.4, voltage_v=230.4, power_factor=0.41))
    parts.hub.reading("m5", Reading(NOW_MS - 700, power_w=0.6, voltage_v=230.2, power_factor=0.38))
    said = {"m1": 51234, "m2": 51231, "m3": 51234, "m4": 50811, "m5": 51228}
    meters: dict[str, Any] = {m: {"read": n, "gaps": {}, "last_at_ms": NOW_MS - 500} for m, n in said.items()}
    meters["m2"]["gaps"] = {"no_answer": 2, "crc": 1}
    meters["m4"] |= {"gaps": {"no_answer": 421}, "reason": "no_answer", "last_at_ms": NOW_MS - 420_000}
    parts.hub.poller_state("board-1", {"online": True, "meters": meters})
    return parts


@contextmanager
def served(parts: Parts) -> Iterator[str]:
    """The address of a dashboard that serves ``parts``."""
    web = Web(create_app(parts), "127.0.0.1", 0, threads=32)
    web.start()
    try:
        yield f"http://127.0.0.1:{web.port}"
    finally:
        parts.hub.close()
        web.stop()
