"""How a service lives: parts start in order, turn once a second, and stop in reverse. Signals only set a flag.

Every service is one or more parts; ``loadbook run`` is all of them in one process.
"""

from __future__ import annotations

import logging
import signal
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from types import FrameType
from typing import Protocol

from loadbook.services.systemd import notify, watchdog_every_s

log = logging.getLogger(__name__)

TURN_S = 1.0


class Part(Protocol):
    """Something that starts, turns and stops."""

    name: str

    def startup(self) -> None:
        """Start, or raise LoadbookError with one line for the user and leave nothing running."""

    def turn(self) -> None:
        """Called once a second by the main loop; quick. An exception ends the service (systemd starts it anew)."""

    def healthy(self) -> bool:
        """Whether everything of this part still moves; while not, the watchdog is not fed."""

    def shutdown(self) -> None:
        """Stop within a few seconds. Called once, after ``startup`` came through."""


def live(parts: Sequence[Part], stop: threading.Event | None = None) -> int:
    """Start the parts, keep them turning until a signal or ``stop``, shut them down. Exit status 0, or 1 when a part
    failed in its turn. Raises what ``startup`` raises, after the parts that were up are down again."""
    stop = stop or threading.Event()
    started: list[Part] = []
    with _signals_set(stop):
        try:
            startup(parts, started)
            return main_loop(started, stop)
        finally:
            shutdown(started)


def startup(parts: Sequence[Part], started: list[Part]) -> None:
    """Start each part; ``started`` grows with those that are up."""
    for part in parts:
        part.startup()
        started.append(part)
        log.info("%s is up", part.name)
    notify("READY=1")


def main_loop(parts: Sequence[Part], stop: threading.Event) -> int:
    """Turn the parts until told to stop."""
    feed_every_s = watchdog_every_s()
    fed_s = time.monotonic()
    while not stop.wait(TURN_S if feed_every_s is None else min(TURN_S, feed_every_s)):
        for part in parts:
            try:
                part.turn()
            except Exception:
                log.exception("%s failed; the service ends", part.name)
                return 1
        ill = [part.name for part in parts if not part.healthy()]
        if ill:
            log.error("stuck: %s", ", ".join(ill))
        elif feed_every_s is not None and time.monotonic() - fed_s >= feed_every_s / 2:
            notify("WATCHDOG=1")
            fed_s = time.monotonic()
    return 0


def shutdown(started: list[Part]) -> None:
    """Stop the parts, last started first; one that fails does not keep the others up."""
    notify("STOPPING=1")
    for part in reversed(started):
        try:
            part.shutdown()
        except Exception:
            log.exception("%s did not stop cleanly", part.name)
        else:
            log.info("%s is down", part.name)
    started.clear()


@contextmanager
def _signals_set(stop: threading.Event) -> Iterator[None]:
    """SIGTERM and SIGINT set ``stop``; a second one ends the process at once. Outside the main thread: nothing."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def told(number: int, _frame: FrameType | None) -> None:
        stop.set()
        signal.signal(number, signal.SIG_DFL)

    before = {number: signal.signal(number, told) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
