"""The dashboard as a part of a service. The daemon does not import it: it is whatever is registered as
``loadbook.web``."""

from __future__ import annotations

import logging
from importlib.metadata import entry_points
from pathlib import Path
from typing import Protocol

from loadbook.errors import StartError
from loadbook.settings import Settings

log = logging.getLogger(__name__)


class Running(Protocol):
    """A dashboard that serves, as ``loadbook_dashboard.server.start`` gives it."""

    address: tuple[str, int]

    @property
    def url(self) -> str:
        """Where a browser on this board finds it."""

    @property
    def exposed(self) -> str:
        """What must be said when others can reach it; empty on loopback."""

    def stop(self) -> None:
        """Stop serving."""


class WebPart:
    """Serves the dashboard while the service runs (``life.Part``)."""

    name = "dashboard"

    def __init__(self, settings: Settings, folder: Path) -> None:
        """``folder``: the settings file's, which paths in it are relative to."""
        self._settings, self._folder = settings, folder
        self.running: Running | None = None

    def startup(self) -> None:
        """Listen and say where. Raises StartError where the port is taken or no dashboard is installed."""
        points = sorted(entry_points(group="loadbook.web"), key=lambda point: point.name)
        if not points:
            raise StartError("no dashboard is installed beside loadbook; install the whole distribution again")
        running: Running = points[0].load()(self._settings, self._folder)
        self.running = running
        print(f"Dashboard: {running.url}", flush=True)
        if running.exposed:
            print(running.exposed, flush=True)

    def turn(self) -> None:
        """Nothing to do: waitress has threads of its own."""

    def healthy(self) -> bool:
        return self.running is not None

    def shutdown(self) -> None:
        if self.running is not None:
            self.running.stop()
            self.running = None
