"""The real dashboard: its parts made from the settings, its ear at the broker, and waitress to serve it.

``start`` brings it up in threads of its own and gives back a handle; ``loadbook serve`` and ``loadbook run`` both use
it.
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loadbook.clock import clock_of_environment
from loadbook.errors import StartError
from loadbook.reading import Reading
from loadbook.settings import Settings
from loadbook.store.choose import open_reader
from loadbook.store.connect import LEDGER_FILE
from loadbook.store.people import PeopleRows
from loadbook.transport.client import Client
from loadbook.transport.packs import Step, decode
from loadbook.transport.senml import SenmlError
from loadbook.transport.topics import Topics, subject_of

from loadbook_dashboard import create_app
from loadbook_dashboard.gate import is_loopback, is_own
from loadbook_dashboard.pages.files import chart_folder
from loadbook_dashboard.parts import Parts
from loadbook_dashboard.people import People
from loadbook_dashboard.queries import NotReadyError, Queries
from loadbook_dashboard.requests import MqttAsker
from loadbook_dashboard.stream import Hub
from loadbook_dashboard.trace import Source
from loadbook_dashboard.web import Web

log = logging.getLogger(__name__)

RECORDER = "recorder"
TOLD_OF_A_PACK = 3
"""A longer pack makes up for an outage: browsers are told its last readings and read the rest from the store."""
PAGE_THREADS = 8
"""Threads for pages, beside one for every browser that watches."""


class Ear:
    """Listens at the broker and hands on: readings, changes of phase and alert, pollers' states, answers."""

    def __init__(self, settings: Settings, folder: Path, hub: Hub) -> None:
        self.hub = hub
        self.topics = Topics(settings.site.name)
        self.site = settings.site.name
        self.client = Client(settings.broker, "dashboard", folder=folder)
        self.asker = MqttAsker(self._ask)
        for topic, handler in (
            (self.topics.readings(), self._readings),
            (self.topics.phase(), self._phase),
            (self.topics.alert(), self._alert),
            (self.topics.state(), self._state),
            (self.topics.answer, self._answer),
        ):
            self.client.subscribe(topic, handler)
        self._stop = threading.Event()
        self._watch = threading.Thread(target=self._watch_link, name="dashboard-link", daemon=True)

    def start(self) -> None:
        """Connect, and go on trying: the dashboard shows what is stored while the broker is away."""
        self.client.start(patient=True)
        self.hub.link(self.client.connected)
        self._watch.start()

    def stop(self) -> None:
        self._stop.set()
        self.client.stop()

    def _watch_link(self) -> None:
        while not self._stop.wait(0.5):
            if self.client.connected != self.hub.linked:
                self.hub.link(self.client.connected)

    def _ask(self, request: dict[str, Any]) -> bool:
        return self.client.publish(self.topics.request, json.dumps(request, ensure_ascii=False))

    def _readings(self, topic: str, payload: bytes) -> None:
        try:
            pack = decode(self.site, payload)
        except SenmlError:
            return  # the recorder says so
        newest = len(pack.entries) - TOLD_OF_A_PACK
        for place, entry in enumerate(pack.entries):
            if isinstance(entry.what, Reading):
                self.hub.reading(pack.meter, entry.what, tell=place >= newest)
            elif isinstance(entry.what, Step):
                self.hub.stepped(pack.meter, entry.what.from_ms, entry.what.by_ms)

    def _phase(self, topic: str, payload: bytes) -> None:
        self.hub.changed(subject_of(topic), "phase")

    def _alert(self, topic: str, payload: bytes) -> None:
        self.hub.changed(subject_of(topic), "alert")

    def _state(self, topic: str, payload: bytes) -> None:
        state = json.loads(payload or b"{}")
        if not isinstance(state, dict):
            return
        if subject_of(topic) == RECORDER:
            self.hub.recorder_state(bool(state.get("online", True)), str(state.get("trouble") or ""))
            self.hub.set_aside(state.get("set_aside"))
        else:
            self.hub.poller_state(subject_of(topic), state)

    def _answer(self, topic: str, payload: bytes) -> None:
        answer = json.loads(payload)
        if isinstance(answer, dict):
            self.asker.answered(answer)


def opener(settings: Settings, folder: Path) -> Callable[[], Any]:
    """Opens the readings for one question. Raises NotReadyError inside when there are none yet."""

    @contextmanager
    def readings() -> Iterator[Source]:
        try:
            reader = open_reader(settings, folder)
        except StartError as bad:
            raise NotReadyError(str(bad)) from None
        with closing(reader):
            yield reader

    return readings


@dataclass(slots=True)
class Running:
    """A dashboard that serves. ``address`` is (host, port)."""

    address: tuple[str, int]
    parts: Parts
    _ear: Ear
    _web: Web

    @property
    def url(self) -> str:
        host = "127.0.0.1" if self.address[0] in ("0.0.0.0", "::") else self.address[0]
        return f"http://{f'[{host}]' if ':' in host else host}:{self.address[1]}/"

    @property
    def exposed(self) -> str:
        """What must be said at start when others can reach it; empty on loopback."""
        dashboard = self.parts.settings.dashboard
        if is_own(dashboard):
            return ""
        said = f"Take care: the dashboard listens on {self.address[0]}. "
        if dashboard.behind_https and is_loopback(self.address[0]):
            said = "Take care: a proxy lets others in. "
        if not self.parts.people.any():
            said += "Nobody is known yet, so nobody can sign in: loadbook people add NAME --config FILE. "
        if dashboard.readers == "everybody":
            said += "Everybody on this network sees everything; changing takes signing in. "
        if not dashboard.behind_https:
            said += "It speaks plain HTTP: a passphrase can be read on its way. "
        return said + "Never forward its port to the internet."

    def stop(self) -> None:
        """Let the browsers go, then the socket, then the broker."""
        self.parts.hub.close()
        self._web.stop()
        self._ear.stop()


def start(settings: Settings, folder: Path) -> Running:
    """Serve the dashboard. ``folder`` is what relative paths in the settings hang on.

    Raises StartError when the port is taken or the broker refuses our password, InputError for an unknown time zone.
    """
    chart_folder()
    store = folder / settings.store.folder
    clock = clock_of_environment()
    hub = Hub(settings.dashboard.event_streams)
    ear = Ear(settings, folder, hub)
    parts = Parts(
        settings=settings,
        queries=Queries(store / LEDGER_FILE),
        readings=opener(settings, folder),
        hub=hub,
        asker=ear.asker,
        now_ms=clock.now_ms,
        people=People(PeopleRows(store)),
        speed=clock.speed,
        folder=folder,
    )
    host, port = settings.dashboard.address, settings.dashboard.port
    web = Web(
        create_app(parts),
        host,
        port,
        settings.dashboard.event_streams + PAGE_THREADS,
        behind_proxy=settings.dashboard.behind_https,
    )
    try:
        ear.start()
    except BaseException:
        web.stop()
        raise
    web.start()
    return Running((host, web.port), parts, ear, web)
