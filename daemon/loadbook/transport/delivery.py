"""Sends what waits in the outbox, and sends it again until the recorder reports it committed. One thread."""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable

from loadbook.transport.client import Client
from loadbook.transport.outbox import Outbox
from loadbook.transport.packs import Entry, Pack, encode, encode_latest
from loadbook.transport.segments import Kept
from loadbook.transport.topics import Topics

log = logging.getLogger(__name__)

PACK = 60
"""Most entries in a message."""
WINDOW = 1200
"""Most entries of a meter on their way."""
SYNC_EVERY_S = 10.0


class Delivery:
    """Outbox to broker. ``start`` and ``stop`` once each; the client belongs to the caller."""

    def __init__(
        self,
        outbox: Outbox,
        client: Client,
        topics: Topics,
        *,
        resend_after_s: float = 30.0,
        card_after_s: float = 45.0,
        real_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """What nobody reports as committed is sent again after ``resend_after_s``, and belongs on the card after
        ``card_after_s``; both longer than the recorder takes to commit when all is well."""
        self._outbox, self._client, self._topics = outbox, client, topics
        self._resend_after_s, self._card_after_s = resend_after_s, card_after_s
        self._real_s = real_s
        self._progress_s: dict[str, float] = {}
        self._well_s: dict[str, float] = {}
        """Per meter, when something was committed last or nothing waited."""
        self._doubtful: set[str] = set()
        self._latest_ms: dict[str, int] = {}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="delivery", daemon=True)
        self._recorder = ""
        client.subscribe(topics.committed, self.on_committed)
        client.subscribe(topics.state("recorder"), self.on_recorder)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._outbox.changed.set()
        if self._thread.is_alive():
            self._thread.join(10.0)

    def on_up(self) -> None:
        """The connection is new: what was on its way may be lost."""
        for meter in self._outbox.meters():
            self._outbox.unsend(meter)
            self._progress_s[meter] = self._real_s()

    def on_recorder(self, _topic: str, payload: bytes) -> None:
        """A recorder that has begun anew has only what it had committed: all else is sent again, without waiting."""
        session = str(json.loads(payload).get("session", ""))
        if session and session != self._recorder:
            self._recorder = session
            self._doubtful.clear()
            self.on_up()

    def on_committed(self, _topic: str, payload: bytes) -> None:
        """The recorder says what it has (``committed``), and what it misses (``wanted``)."""
        said = json.loads(payload)
        session = str(said["session"])
        for meter, sequence in said.get("committed", {}).items():
            if self._outbox.committed(session, meter, int(sequence)):
                self._progress_s[meter] = self._well_s[meter] = self._real_s()
                self._doubtful.discard(meter)
        for meter, sequence in said.get("wanted", {}).items():
            self._outbox.unsend(meter, session, int(sequence))
            self._progress_s[meter] = self._real_s()
        self._outbox.changed.set()

    def _run(self) -> None:
        synced_s = self._real_s()
        while not self._stop.is_set():
            self._outbox.changed.wait(1.0)
            self._outbox.changed.clear()
            if self._stop.is_set():
                break
            try:
                self._turn()
                overdue = self._overdue()
                self._outbox.settle(overdue=overdue)
                if self._real_s() - synced_s >= SYNC_EVERY_S:
                    synced_s = self._real_s()
                    if overdue or not self._client.connected:
                        self._outbox.sync()
            except Exception:
                log.exception("delivering")
                self._stop.wait(1.0)

    def _turn(self) -> None:
        now_s = self._real_s()
        for meter in self._outbox.meters():
            if not self._client.connected:
                return
            self._send_latest(meter)
            if self._outbox.on_their_way(meter):
                if now_s - self._progress_s.setdefault(meter, now_s) > self._resend_after_s:
                    self._outbox.unsend(meter)
                    self._progress_s[meter] = now_s
                    self._doubtful.add(meter)  # one message at a time until something comes back
            else:
                self._progress_s[meter] = now_s
            window = PACK if meter in self._doubtful else WINDOW
            while entries := self._outbox.take(meter, PACK, window):
                if not self._client.publish(self._topics.readings(meter), self._encoded(meter, entries)):
                    self._outbox.unsend(meter, entries[0].session, entries[0].sequence)
                    self._stop.wait(0.05)
                    break

    def _encoded(self, meter: str, entries: list[Kept]) -> str:
        first = entries[0]
        pack = Pack(
            meter,
            first.session,
            min(self._outbox.oldest(meter), first.sequence),
            tuple(Entry(k.sequence, k.at_ms, k.what) for k in entries),
            clock_set=first.clock_set,
            boot=self._outbox.boot if first.session == self._outbox.session else "",
            uptime_ms=first.mono_ms,
            holds=self._outbox.holds(),
        )
        return encode(self._topics.site, pack)

    def _send_latest(self, meter: str) -> None:
        """The newest reading at once, past whatever waits. Nobody keeps books on it: QoS 0, retained."""
        newest = self._outbox.stamped(meter)
        if newest is not None and self._latest_ms.get(meter) != newest.at_ms:
            self._latest_ms[meter] = newest.at_ms
            text = encode_latest(self._topics.site, meter, newest)
            self._client.publish(self._topics.latest(meter), text, retain=True, qos=0)

    def _overdue(self) -> bool:
        """Whether something has waited for so long that the chain must be broken."""
        now_s, found = self._real_s(), False
        for meter in self._outbox.meters():
            if not self._outbox.waits(meter):
                self._well_s[meter] = now_s
            elif now_s - self._well_s.setdefault(meter, now_s) > self._card_after_s:
                found = True
        return found
