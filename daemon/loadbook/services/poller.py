"""The poller: reads every line once per interval and hands readings and gaps to the delivery. Never waits for anything
but the wire: the delivery takes in at once and delivers in its own time.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from loadbook.clock import Clock
from loadbook.meters.counters import CountingSink
from loadbook.meters.lines import build_lines, meters_by_line
from loadbook.meters.loop import LineLoop
from loadbook.meters.sink import Sink
from loadbook.services.systemd import notify
from loadbook.settings import Settings

log = logging.getLogger(__name__)

PUBLISH_EVERY_S = 10.0
"""The counters are published this often, and at once when a meter begins or ceases to answer."""
LOG_AFTER_GAPS = 5

STUCK_S = 45.0
"""A line whose loop has not come round for this long is stuck: the longest readout takes half of that."""
JOIN_S = 1.0
"""Waited for a line at the stop beyond its time-out: an answer that is on the wire then becomes a reading still."""


class Delivery(Protocol):
    """Where the poller's readings go: outbox and client, in service (``services.sending``)."""

    @property
    def sink(self) -> Sink:
        """Takes readings and gaps in at once."""

    def start(self) -> None:
        """Begin to deliver. Raises StartError when the broker refuses."""

    def publish_state(self, state: dict[str, Any]) -> None:
        """What the poller says of itself; at once, dropped while nobody is there."""

    def stop(self) -> None:
        """Deliver what a moment allows; the rest stays where it is kept."""


class Poller:
    """A part of a service (``life.Part``)."""

    name = "poller"

    def __init__(self, settings: Settings, folder: Path, clock: Clock, open_delivery: Callable[[], Delivery]) -> None:
        """``folder``: the settings file's, which paths in it are relative to. ``open_delivery`` is called at startup,
        after the meters' maps and ports have been found sound."""
        self._settings = settings
        self._folder = folder
        self._clock = clock
        self._open_delivery = open_delivery
        self._delivery: Delivery | None = None
        self._sink = CountingSink(meters_by_line(settings.lines))
        self._lines: list[LineLoop] = []
        self._published_s = 0.0
        self._said: frozenset[tuple[str, str]] = frozenset()
        self._missed: set[str] = set()
        self._started_ms = 0

    def startup(self) -> None:
        lines = build_lines(self._settings, self._folder, self._sink, self._clock)
        delivery = self._open_delivery()
        self._sink.deliver_to(delivery.sink)
        delivery.start()
        self._started_ms = self._clock.now_ms()
        for line in lines:
            line.start()
        self._delivery, self._lines = delivery, lines

    def turn(self) -> None:
        failing = self._sink.failing()
        now_s = self._clock.mono_s()
        if failing != self._said or now_s - self._published_s >= PUBLISH_EVERY_S * self._clock.speed:
            self._tell(failing)
            self._said, self._published_s = failing, now_s

    def healthy(self) -> bool:
        now_s = self._clock.mono_s()
        limit_s = max(STUCK_S, 3 * self._settings.poller.interval_s) * self._clock.speed
        return all(line.is_alive() and now_s - line.last_tick_s < limit_s for line in self._lines)

    def shutdown(self) -> None:
        for line in self._lines:
            line.stop()
        end_s = time.monotonic() + JOIN_S + max((line.timeout_s for line in self._settings.lines), default=0.0)
        for line in self._lines:
            line.join(max(0.0, end_s - time.monotonic()))
        if self._delivery is not None:
            self._delivery.stop()

    def _tell(self, failing: frozenset[tuple[str, str]]) -> None:
        meters = self._sink.snapshot()
        self._log_changes(meters)
        well = sum(counted["state"] == "reading" for counted in meters.values())
        notify(f"STATUS={well} of {len(meters)} meters read")
        assert self._delivery is not None
        state = {"online": True, "since_ms": self._started_ms, "at_ms": self._clock.now_ms()}
        self._delivery.publish_state(state | {"meters": meters})

    def _log_changes(self, meters: dict[str, Any]) -> None:
        """A line when a meter has not answered for a while and one when it does again: a flaky line must not fill the
        card with its log."""
        for meter, counted in meters.items():
            if counted["gaps_in_a_row"] >= LOG_AFTER_GAPS and meter not in self._missed:
                self._missed.add(meter)
                log.warning("meter %s: no reading (%s): %s", meter, counted["reason"], counted["detail"])
            elif counted["state"] == "reading" and meter in self._missed:
                self._missed.discard(meter)
                log.warning("meter %s: reading again", meter)
