"""What a running dashboard is made of, handed to every page: the settings, the ledger, the readings, the live
exchange, the door to the recorder, and the time."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import cast

from flask import current_app
from loadbook.settings import Settings

from loadbook_dashboard.glance import Glance, glance
from loadbook_dashboard.queries import KnownAlert, MachineRow, Queries
from loadbook_dashboard.requests import Asker
from loadbook_dashboard.standing import settle
from loadbook_dashboard.stream import Hub
from loadbook_dashboard.trace import Source
from loadbook_dashboard.words import SiteTime, site_time


@dataclass(slots=True)
class Parts:
    """One dashboard's parts. ``now_ms`` is the wall clock, which runs ``speed`` times real time in a demo."""

    settings: Settings
    queries: Queries
    readings: Callable[[], AbstractContextManager[Source]]
    """Opens the store of readings for one question."""
    hub: Hub
    asker: Asker
    now_ms: Callable[[], int]
    speed: float = 1.0
    boot: str = field(default_factory=lambda: secrets.token_hex(8))
    """Names this start: a page from an earlier one reads itself afresh, because its form tokens are worth nothing."""
    time: SiteTime = field(init=False)

    def __post_init__(self) -> None:
        self.time = site_time(self.settings.site.time_zone)

    def glance(self, machine: MachineRow, open_alerts: list[KnownAlert]) -> Glance:
        """One machine in a few words, now."""
        cycle = self.queries.last_cycle(machine.id)
        usual: list[float] = []
        if cycle is not None and cycle.outcome == "running" and cycle.programme and machine.phase:
            usual = self.queries.usual_rest_s(machine.id, cycle.programme, machine.phase)
        mine = [known for known in open_alerts if known.machine == machine.id]
        found = glance(machine, cycle, mine, usual, self.now_ms())
        last = self.hub.last(machine.meter) if machine.meter else None
        if last is not None and last.at_ms > (found.last_reading_ms or 0):
            found.last_reading_ms, found.power_w = last.at_ms, last.power_w
        return found

    def open_alerts(self, machine: str | None = None) -> list[KnownAlert]:
        """Alerts that stand or that nobody has seen, of one machine or of all, settled for now."""
        alerts = self.queries.open_alerts(machine)
        return settle(alerts, self.queries.machines(), self.queries.shelves(self.now_ms()))

    def glances(self) -> list[Glance]:
        """Every machine in a few words, in the order of the settings."""
        alerts = self.open_alerts()
        return [self.glance(machine, alerts) for machine in self.queries.machines()]


def parts() -> Parts:
    """The parts of the dashboard that serves this request."""
    return cast(Parts, current_app.extensions["loadbook"])
