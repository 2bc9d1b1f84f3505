"""What a running dashboard is made of, handed to every page: the settings, the ledger, the readings, the live
exchange, the door to the recorder, and the time."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import cast

from flask import current_app
from loadbook.events import Cycle
from loadbook.settings import Settings
from loadbook.store.sqlite_readings import StoreError

from loadbook_dashboard.glance import Glance, glance
from loadbook_dashboard.people import People
from loadbook_dashboard.queries import KnownAlert, MachineRow, NotReadyError, Queries
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
    people: People
    """Who may sign in."""
    speed: float = 1.0
    folder: Path = Path()
    """The settings file's folder, on which its relative paths hang."""
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
        last = self.hub.last(machine.meter) if machine.meter else None
        heard_ms = last.at_ms if last is not None else self.stored_ms(machine.meter)
        if heard_ms is not None:
            machine.last_reading_ms = max(heard_ms, machine.last_reading_ms or 0)
        mine = [known for known in open_alerts if known.machine == machine.id]
        found = glance(machine, cycle, mine, usual, self.now_ms())
        if last is not None and last.at_ms >= (found.last_reading_ms or 0):
            found.power_w = last.power_w
        return found

    def stored_ms(self, meter: str | None) -> int | None:
        """A meter's newest reading in the store: the ledger notes it only now and then."""
        try:
            with self.readings() as reader:
                span = reader.span(meter) if meter else None
        except (NotReadyError, StoreError):
            return None
        return None if span is None else span[1]

    def brought_up(self, machine: MachineRow, cycle: Cycle) -> Cycle:
        """A running cycle as it is by the last reading: the recogniser writes it down only when something changes."""
        if cycle.outcome != "running":
            return cycle
        last = self.hub.last(machine.meter) if machine.meter else None
        end_ms = max(cycle.end_ms, machine.last_reading_ms or 0, last.at_ms if last else 0)
        if end_ms <= cycle.end_ms or machine.meter is None:
            return cycle
        open_phase = next((p for p in reversed(cycle.phases) if p.start_ms is not None), None)
        with self.readings() as reader:
            cycle.energy_kwh = reader.energy_wh(machine.meter, cycle.start_ms, end_ms) / 1000
            if open_phase is not None and open_phase.start_ms is not None:
                phase_wh = reader.energy_wh(machine.meter, open_phase.start_ms, end_ms)
                open_phase.end_ms, open_phase.energy_kwh = end_ms, phase_wh / 1000
                open_phase.power_w = phase_wh * 3.6e6 / max(1, end_ms - open_phase.start_ms)
        cycle.end_ms = end_ms
        return cycle

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
