"""Live: what arrives over MQTT goes on to every browser that watches, as server-sent events.

``Hub`` is the exchange: one side calls ``say``, the other holds a ``Watcher`` with a queue of limited length. A
browser too slow to keep up loses the oldest messages and is told to read the page afresh.
"""

from __future__ import annotations

import json
import threading
from collections import defaultdict, deque
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from loadbook.reading import Reading, Series, series_of

KEEP_READINGS = 180
"""Readings kept per meter: more than the store's longest commit interval, so that a chart's right edge is whole."""

QUEUE_LIMIT = 500
HEARTBEAT_S = 1.0


class TooManyError(Exception):
    """As many browsers watch already as the settings allow."""


class Watcher:
    """One browser that watches."""

    def __init__(self) -> None:
        self._queue: deque[tuple[str, dict[str, Any]]] = deque()
        self._some = threading.Condition()
        self._closed = False
        self._lost = False

    def put(self, name: str, data: dict[str, Any]) -> None:
        with self._some:
            if len(self._queue) >= QUEUE_LIMIT:
                self._queue.popleft()
                self._lost = True
            self._queue.append((name, data))
            self._some.notify()

    def close(self) -> None:
        with self._some:
            self._closed = True
            self._some.notify()

    def events(self, beat: Callable[[], dict[str, Any]], heartbeat_s: float = HEARTBEAT_S) -> Iterator[str]:
        """The text of the event stream, until closed. Where nothing else is said, ``beat`` says so."""
        while True:
            with self._some:
                if not self._queue and not self._closed:
                    self._some.wait(heartbeat_s)
                if self._closed:
                    return
                batch = list(self._queue)
                self._queue.clear()
                lost, self._lost = self._lost, False
            if lost:
                yield event_text("afresh", {})
            if not batch:
                yield event_text("beat", beat())
            for name, data in batch:
                yield event_text(name, data)


def event_text(name: str, data: dict[str, Any]) -> str:
    """One server-sent event (WHATWG HTML, section 9.2)."""
    return f"event: {name}\ndata: {json.dumps(data, separators=(',', ':'))}\n\n"


class Hub:
    """Who watches, and the last readings of every meter."""

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self.linked = False
        self.recorder_trouble = ""
        self.aside: dict[str, dict[str, Any]] = {}
        """By meter: messages and entries the recorder set aside, why and when last."""
        self._watchers: set[Watcher] = set()
        self._recent: dict[str, deque[Reading]] = defaultdict(lambda: deque(maxlen=KEEP_READINGS))
        self._meters: dict[str, dict[str, Any]] = {}
        self._lock = threading.Lock()

    def watch(self) -> Watcher:
        """A new watcher. Raises TooManyError."""
        with self._lock:
            if len(self._watchers) >= self.limit:
                raise TooManyError
            watcher = Watcher()
            self._watchers.add(watcher)
        watcher.put("link", self._link())
        return watcher

    def leave(self, watcher: Watcher) -> None:
        with self._lock:
            self._watchers.discard(watcher)

    def watching(self) -> int:
        with self._lock:
            return len(self._watchers)

    def say(self, name: str, data: dict[str, Any]) -> None:
        """Tell every browser."""
        with self._lock:
            watchers = list(self._watchers)
        for watcher in watchers:
            watcher.put(name, data)

    def link(self, linked: bool) -> None:
        """The broker was reached, or lost."""
        self.linked = linked
        self.say("link", self._link())

    def recorder_state(self, online: bool, trouble: str) -> None:
        """The recorder said how it does, or its last will said that it is gone."""
        said = trouble if online else "the recorder is not running, so nothing is recorded"
        if said != self.recorder_trouble:
            self.recorder_trouble = said
            self.say("link", self._link())

    def set_aside(self, by_meter: Any) -> None:
        """How much of each meter's messages the recorder could not read; anything but a table by meter is none."""
        table = by_meter if isinstance(by_meter, dict) else {}
        table = {str(k): v for k, v in table.items() if isinstance(v, dict)}
        if table != self.aside:
            self.aside = table
            self.say("meters", {"poller": ""})

    def _link(self) -> dict[str, Any]:
        return {"linked": self.linked, "trouble": self.recorder_trouble}

    def reading(self, meter: str, reading: Reading, tell: bool = True) -> None:
        """A reading arrived. ``tell`` is false for one that is late: it is kept, and no browser is bothered."""
        with self._lock:
            recent = self._recent[meter]
            if recent and reading.at_ms <= recent[-1].at_ms:
                return  # delivered again, or out of order: the store sorts it in, the screen need not
            recent.append(reading)
        if not tell:
            return
        shown = {"meter": meter, "at_ms": reading.at_ms, "power_w": reading.power_w}
        for name in ("voltage_v", "power_factor"):
            value = getattr(reading, name)
            if value is not None:
                shown[name] = value
        self.say("reading", shown)

    def stepped(self, meter: str, from_ms: int, by_ms: int) -> None:
        """The board's clock was set: a meter's readings since ``from_ms`` belong ``by_ms`` later."""
        with self._lock:
            recent = self._recent[meter]
            moved = [replace(r, at_ms=r.at_ms + by_ms) if r.at_ms >= from_ms else r for r in recent]
            recent.clear()
            recent.extend(sorted(moved, key=lambda r: r.at_ms))
        self.say("afresh", {})

    def recent(self, meter: str) -> Series:
        """The last readings of a meter, which the store may not have yet."""
        with self._lock:
            return series_of(list(self._recent.get(meter, ())), meter)

    def last(self, meter: str) -> Reading | None:
        with self._lock:
            recent = self._recent.get(meter)
            return recent[-1] if recent else None

    def changed(self, machine: str, what: str) -> None:
        """The ledger says something new about a machine: ``what`` is ``phase``, ``alert`` or ``note``."""
        self.say("machine", {"machine": machine, "what": what})

    def poller_state(self, poller: str, state: dict[str, Any]) -> None:
        """A poller said how its meters do, or its last will said that it is gone."""
        with self._lock:
            self._meters[poller] = state
        self.say("meters", {"poller": poller})

    def pollers(self) -> dict[str, dict[str, Any]]:
        with self._lock:
            return dict(self._meters)

    def close(self) -> None:
        """Let every browser go."""
        with self._lock:
            watchers = list(self._watchers)
            self._watchers.clear()
        for watcher in watchers:
            watcher.close()
