"""The poller's end of the chain: outbox, MQTT client and delivery, put together for one board."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from loadbook.clock import Clock
from loadbook.errors import StartError
from loadbook.meters.sink import Sink
from loadbook.settings import Settings
from loadbook.transport.client import Client
from loadbook.transport.delivery import Delivery
from loadbook.transport.outbox import Outbox
from loadbook.transport.topics import Topics

OUTBOX_FOLDER = "outbox"
MEGABYTE = 1_000_000


def quick_folder(settings: Settings) -> Path | None:
    """A folder in memory for readings that are delivered within seconds, where the service manager gives us one
    (systemd's RuntimeDirectory; systemd.exec(5))."""
    given = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    return Path(given) / f"{OUTBOX_FOLDER}-{settings.poller.name}" if given else None


def boot_id() -> str:
    """The kernel's id of this boot; empty where there is none, and then every start counts as a boot of its own."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""


class Sending:
    """``sink`` takes readings at once; they are delivered while this runs, and wait on disk while it does not."""

    def __init__(self, settings: Settings, folder: Path, clock: Clock, *, patient: bool = False) -> None:
        """``folder`` is the settings file's. ``patient``: a broker that is not there yet is waited for. Raises
        StartError where the outbox cannot be written."""
        self._settings, self._patient = settings, patient
        self._topics = Topics(settings.site.name)
        self._state_topic = self._topics.state(settings.poller.name)
        self._state: dict[str, Any] = {"online": True}
        path = folder / settings.store.folder / OUTBOX_FOLDER
        try:
            self.outbox = Outbox(
                path,
                boot=boot_id() or f"{clock.mono_ms()}",
                clock_is_set=lambda: settings.poller.trust_clock or clock.is_set(),
                most_bytes=settings.poller.outbox_mb * MEGABYTE,
                quick=quick_folder(settings),
            )
        except OSError as bad:
            raise StartError(f"{path}: the outbox cannot be written: {(bad.strerror or str(bad)).lower()}") from None
        self._client = Client(
            settings.broker,
            f"loadbook-{settings.poller.name}",
            folder=folder,
            will=(self._state_topic, b'{"online": false}'),
            on_up=self._on_up,
        )
        self._delivery = Delivery(
            self.outbox,
            self._client,
            self._topics,
            resend_after_s=max(30.0, 3 * settings.store.commit_every_s),
            card_after_s=max(45.0, 1.5 * settings.store.commit_every_s),
        )

    @property
    def sink(self) -> Sink:
        return self.outbox

    def start(self) -> None:
        """Connect and begin to deliver. Raises StartError where the broker refuses us."""
        try:
            self._client.start(patient=self._patient)
        except BaseException:
            self.outbox.close()
            raise
        self._delivery.start()

    def publish_state(self, state: dict[str, Any]) -> None:
        """Publish how the poller and its meters are doing, retained."""
        self._state = {"online": True, **state}
        self._send_state()

    def stop(self) -> None:
        """Leave; what the recorder has not committed stays on disk for the next start."""
        self._delivery.stop()
        self._client.stop(farewell=(self._state_topic, b'{"online": false}'))
        self.outbox.sync()
        self.outbox.close()

    def _on_up(self) -> None:
        self._delivery.on_up()
        self._send_state()

    def _send_state(self) -> None:
        state = {**self._state, "outbox": self.outbox.standing()}
        self._client.publish(self._state_topic, json.dumps(state), retain=True)
