"""All of Loadbook in one process: broker (where none is named), recorder, poller, dashboard."""

from __future__ import annotations

from pathlib import Path

from loadbook.clock import Clock
from loadbook.services.housekeeping import Housekeeping
from loadbook.services.life import Part
from loadbook.services.poller import Poller
from loadbook.services.recorder import Recorder
from loadbook.services.sending import Sending
from loadbook.services.web import WebPart
from loadbook.settings import Settings
from loadbook.transport.embedded import EmbeddedBroker


class BrokerPart:
    """The embedded broker (``life.Part``)."""

    name = "broker"

    def __init__(self, port: int) -> None:
        self._broker = EmbeddedBroker(port)

    def startup(self) -> None:
        self._broker.start()

    def turn(self) -> None:
        """Nothing to do: the broker has a thread of its own."""

    def healthy(self) -> bool:
        return self._broker.running

    def shutdown(self) -> None:
        self._broker.stop()


def broker_parts(settings: Settings) -> list[Part]:
    """The embedded broker, where the settings name none."""
    return [] if settings.broker.host else [BrokerPart(settings.broker.port)]


def recorder_parts(settings: Settings, folder: Path, clock: Clock, *, patient: bool = False) -> list[Part]:
    """The recorder and its housekeeping."""
    recorder = Recorder(settings, folder, clock, patient=patient)
    return [recorder, Housekeeping(recorder)]


def all_parts(settings: Settings, folder: Path, clock: Clock, *, patient: bool = False) -> list[Part]:
    """Everything, in the order in which it starts; ``folder`` is the settings file's."""
    parts = broker_parts(settings)
    parts += recorder_parts(settings, folder, clock, patient=patient)
    if settings.lines:
        parts.append(Poller(settings, folder, clock, lambda: Sending(settings, folder, clock, patient=patient)))
    parts.append(WebPart(settings, folder))
    return parts
