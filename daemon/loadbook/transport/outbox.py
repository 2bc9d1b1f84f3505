"""What a poller has read and the recorder has not yet reported as committed: in files, in order, bounded.

A reading is written when it is put, so killing the process loses nothing. Where there is a ``quick`` folder (in memory;
it outlives the process, not the power), it is written there, and goes to the card when it has waited for long or the
poller stops. When the outbox is full the oldest segment gives way (what is newest matters most to whoever comes to
look), counted and said. When card and memory take no more, new entries are kept in this process only, bounded likewise.
"""

from __future__ import annotations

import json
import logging
import os
import secrets
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from loadbook.reading import Reading
from loadbook.transport.packs import Step
from loadbook.transport.segments import Kept, Segments
from loadbook.transport.time_line import AFTER_RESTART_MS, TimeLine

log = logging.getLogger(__name__)

IN_MEMORY = 20_000
"""Entries held in memory to be sent; more wait on disk only."""
STATE_EVERY_MS = 60_000
STATE_ON_CARD_EVERY_MS = AFTER_RESTART_MS - 1_000
MOST_QUICK_BYTES = 8_000_000
"""More than this never waits in the quick folder."""
GAP_EVERY_MS = 5_000
"""A silent meter's gaps are passed on this often: often enough to be judged, seldom enough not to fill a card."""
_WARN_AT = (0.5, 0.8, 0.95)
STATE_FILE = "time_line.json"


MOST = 1e11
"""No meter measures more; a larger value would be refused further on and hold up all that waits behind it."""


def _due(last_ms: int | None, now_ms: int, every_ms: int) -> bool:
    return last_ms is None or now_ms - last_ms >= every_ms


def _sane(value: float | None) -> float | None:
    return value if value is not None and abs(value) <= MOST else None  # NaN compares false


@dataclass(slots=True)
class Queue:
    """One meter's entries, oldest first, as far as they are in memory. ``sent`` of them have been sent."""

    waiting: deque[tuple[int, Kept]] = field(default_factory=deque)
    """(segment, entry); segment 0 is in memory only."""
    sent: int = 0
    last_gap_ms: int | None = None
    newest: Reading | None = None


class Outbox:
    """The poller's sink. ``put``, ``gap``, ``committed`` and ``take`` may be called from any thread."""

    def __init__(
        self,
        folder: Path,
        *,
        boot: str,
        clock_is_set: Callable[[], bool],
        most_bytes: int,
        quick: Path | None = None,
    ) -> None:
        """``quick``: a folder of a file system in memory. Raises OSError when a folder cannot be used."""
        self.session = secrets.token_hex(4)
        self.boot = boot
        self.dropped = 0
        """Entries that gave way because the outbox was full."""
        self._lock = threading.RLock()
        self.changed = threading.Event()
        """Set when there may be something to send."""
        self._most_bytes = most_bytes
        self._clock_is_set = clock_is_set
        self._queues: dict[str, Queue] = {}
        self._sequences: dict[str, int] = {}
        self._unacknowledged: dict[int, int] = {}
        self._in_memory = 0
        self._warned = 0.0
        self._failing = False
        self._segments = Segments(folder, quick)
        self._state_path = folder / STATE_FILE
        self._quick_state_path = None if quick is None else quick / STATE_FILE
        self._time_line = TimeLine(boot, self._read_state())
        self._state_mono_ms: int | None = None
        self._state_on_card_mono_ms: int | None = None
        self._unloaded = deque(self._segments.closed())
        self._load()

    # putting in -------------------------------------------------------------------------------------------------

    def put(self, meter_id: str, reading: Reading, mono_ms: int) -> None:
        """A reading, whose ``at_ms`` is what the board's clock showed at ``mono_ms``. Does not raise."""
        with self._lock:
            at_ms = self._stamp(meter_id, mono_ms, reading.at_ms)
            values = {name: _sane(getattr(reading, name)) for name in Reading.__slots__ if name != "at_ms"}
            queue = self._queue(meter_id)
            queue.last_gap_ms, queue.newest = None, Reading(at_ms, **values)
            self._add(meter_id, at_ms, mono_ms, queue.newest)
        self.changed.set()

    def gap(self, meter_id: str, at_ms: int, mono_ms: int, reason: str) -> None:
        """A tick without a reading, and why. Does not raise."""
        with self._lock:
            queue = self._queue(meter_id)
            if queue.last_gap_ms is not None and mono_ms - queue.last_gap_ms < GAP_EVERY_MS:
                return
            queue.last_gap_ms = mono_ms
            self._add(meter_id, self._stamp(meter_id, mono_ms, at_ms), mono_ms, reason)
        self.changed.set()

    def stamped(self, meter_id: str) -> Reading | None:
        """The newest reading of a meter as it was stamped."""
        with self._lock:
            return self._queue(meter_id).newest

    def _queue(self, meter: str) -> Queue:
        return self._queues.setdefault(meter, Queue())

    def _stamp(self, meter: str, mono_ms: int, wall_ms: int) -> int:
        at_ms, step = self._time_line.stamp(mono_ms, wall_ms, self._clock_is_set())
        if step is not None:
            log.warning("the board's clock was set by %+.0f s; readings since are moved with it", step.by_ms / 1000)
            for known in list(self._queues):
                self._add(known, step.from_ms + step.by_ms, mono_ms, step)
        if step is not None or _due(self._state_on_card_mono_ms, mono_ms, STATE_ON_CARD_EVERY_MS):
            self._state_mono_ms = self._state_on_card_mono_ms = mono_ms
            self._write_state()
        elif self._quick_state_path is not None and _due(self._state_mono_ms, mono_ms, STATE_EVERY_MS):
            self._state_mono_ms = mono_ms
            self._write_state_to(self._quick_state_path)
        return at_ms

    def _add(self, meter: str, at_ms: int, mono_ms: int, what: Reading | str | Step) -> None:
        sequence = self._sequences.get(meter, 0) + 1
        self._sequences[meter] = sequence
        kept = Kept(self.session, meter, sequence, at_ms, mono_ms, self._time_line.clock_set, what)
        segment = self._write(kept)
        if segment and (self._unloaded or self._in_memory >= IN_MEMORY):
            if not self._unloaded:  # from here on the rest is on disk only, in segments of its own
                log.warning("%d readings wait to be delivered; further ones wait on disk only", self._in_memory)
            if segment not in self._unloaded:
                self._unloaded.append(segment)
            return
        self._remember(segment, kept)

    def _remember(self, segment: int, kept: Kept) -> None:
        self._queue(kept.meter).waiting.append((segment, kept))
        self._in_memory += 1
        self._unacknowledged[segment] = self._unacknowledged.get(segment, 0) + 1
        if self._in_memory > 2 * IN_MEMORY:  # only when the card takes nothing: memory is bounded, too
            longest = max(self._queues.values(), key=lambda q: len(q.waiting))
            self._forget(longest)
            self.dropped += 1

    def _write(self, kept: Kept) -> int:
        try:
            if self._in_memory >= IN_MEMORY and not self._unloaded:
                self._segments.rotate()
            before = self._segments.active
            segment = self._segments.append(kept)
            if segment != before and before not in self._unacknowledged and before not in self._unloaded:
                self._segments.delete(before)  # all of it was committed while it was still being written
        except OSError as bad:
            if not self._failing:
                log.error("the outbox cannot be written (%s); readings wait in memory", bad.strerror or bad)
            self._failing = True
            return 0
        if self._failing:
            log.warning("the outbox can be written again")
        self._failing = False
        self._keep_bounds()
        if self._segments.memory_bytes > MOST_QUICK_BYTES:
            self.settle(overdue=True)
        return segment

    def _keep_bounds(self) -> None:
        filled = self._segments.total_bytes / self._most_bytes
        level = max((w for w in _WARN_AT if filled >= w), default=0.0)
        if level > self._warned:
            log.warning("the outbox is %.0f %% full: is the recorder running and the broker reachable?", 100 * filled)
        self._warned = level
        while self._segments.total_bytes > self._most_bytes and self._segments.closed():
            oldest = self._segments.closed()[0]
            gone = 0
            if oldest in self._unloaded:
                gone = sum(1 for _ in self._segments.read(oldest))
                self._unloaded.remove(oldest)
            else:
                for queue in self._queues.values():
                    while queue.waiting and queue.waiting[0][0] == oldest:
                        self._forget(queue)
                        gone += 1
            self._segments.delete(oldest)
            self._unacknowledged.pop(oldest, None)
            self.dropped += gone
            log.error("the outbox is full: the oldest %d readings gave way", gone)

    # sending ----------------------------------------------------------------------------------------------------

    def take(self, meter: str, most: int, window: int) -> list[Kept]:
        """The next unsent entries of a meter, marked as sent: at most ``most``, so that at most ``window`` are on
        their way; of one session and one ``clock_set``. An earlier session is seen through before the next begins."""
        with self._lock:
            queue = self._queue(meter)
            room = min(most, window - queue.sent)
            found: list[Kept] = []
            for i in range(queue.sent, min(len(queue.waiting), queue.sent + max(room, 0))):
                kept = queue.waiting[i][1]
                if found and (kept.clock_set != found[0].clock_set or kept.sequence != found[-1].sequence + 1):
                    break
                if kept.session != queue.waiting[0][1].session:
                    break
                found.append(kept)
            queue.sent += len(found)
            return found

    def oldest(self, meter: str) -> int:
        """The lowest sequence number still held of the session that is being sent."""
        with self._lock:
            waiting = self._queue(meter).waiting
            return waiting[0][1].sequence if waiting else self._sequences.get(meter, 0) + 1

    def unsend(self, meter: str, session: str | None = None, from_sequence: int | None = None) -> None:
        """Send again: all that waits, or all from a sequence number on."""
        with self._lock:
            queue = self._queue(meter)
            if from_sequence is None:
                queue.sent = 0
            elif queue.waiting and queue.waiting[0][1].session == session:
                queue.sent = max(0, min(queue.sent, from_sequence - queue.waiting[0][1].sequence))
        self.changed.set()

    def committed(self, session: str, meter: str, sequence: int) -> bool:
        """The recorder has all of a session up to ``sequence``. True when that was news."""
        with self._lock:
            queue = self._queues.get(meter)
            if queue is None:
                return False
            news = False
            while queue.waiting:
                kept = queue.waiting[0][1]
                if kept.session != session or kept.sequence > sequence:
                    break
                self._forget(queue)
                news = True
            if news:
                self._load()
            return news

    def _forget(self, queue: Queue) -> None:
        segment, _ = queue.waiting.popleft()
        queue.sent = max(0, queue.sent - 1)
        self._in_memory -= 1
        left = self._unacknowledged.get(segment, 1) - 1
        self._unacknowledged[segment] = left
        if left <= 0:
            self._unacknowledged.pop(segment, None)
            if segment and segment != self._segments.active:
                self._segments.delete(segment)

    def _load(self) -> None:
        """Bring waiting segments from disk to memory while there is room."""
        while self._unloaded and self._in_memory < IN_MEMORY // 2:
            segment = self._unloaded.popleft()
            if segment == self._segments.active:
                self._segments.rotate()
            try:
                entries = list(self._segments.read(segment))
            except OSError as bad:
                log.error("the outbox cannot be read: %s", bad.strerror or bad)
                continue
            for kept in entries:
                self._remember(segment, kept)
            if not entries:
                self._segments.delete(segment)

    # standing ---------------------------------------------------------------------------------------------------

    def meters(self) -> list[str]:
        """Meters that have ever waited."""
        with self._lock:
            return list(self._queues)

    def holds(self) -> frozenset[str]:
        """The runs of this poller of which anything may still be sent, its own among them."""
        with self._lock:
            return self._segments.sessions() | {self.session}

    def on_their_way(self, meter: str) -> int:
        """How many entries are sent and not committed."""
        with self._lock:
            return self._queue(meter).sent

    def standing(self) -> dict[str, object]:
        """For the poller's state topic: how much waits, how full, what gave way."""
        with self._lock:
            oldest = min((q.waiting[0][1].at_ms for q in self._queues.values() if q.waiting), default=None)
            return {
                "waiting": self._in_memory,
                "waiting_on_disk_only": bool(self._unloaded),
                "bytes": self._segments.total_bytes,
                "filled": round(self._segments.total_bytes / self._most_bytes, 4),
                "oldest_ms": oldest,
                "dropped": self.dropped,
                "clock_set": self._time_line.clock_set,
                "clock_out_ms": round(self._time_line.out_ms),
            }

    def waits(self, meter: str) -> bool:
        """Whether anything of a meter is not committed yet."""
        with self._lock:
            return bool(self._queue(meter).waiting) or bool(self._unloaded)

    def settle(self, *, overdue: bool) -> None:
        """Where new entries lie from now on. ``overdue``: what waits has waited for so long that it belongs on the
        card, for good; else memory will do again."""
        with self._lock:
            segments = self._segments
            try:
                if overdue and not segments.on_card:
                    log.warning("readings wait to be delivered: they are brought to the card")
                    segments.to_card()
                elif not overdue and segments.on_card:
                    before = segments.active
                    segments.to_memory()
                    spent = before not in self._unacknowledged and before not in self._unloaded
                    if before != segments.active and spent:
                        segments.delete(before)
            except OSError as bad:
                log.error("the outbox cannot be written: %s", bad.strerror or bad)

    def sync(self) -> None:
        """Force what waits to the card, where that is where it waits."""
        with self._lock:
            try:
                self._segments.sync()
            except OSError as bad:
                log.error("the outbox cannot be written: %s", bad.strerror or bad)

    def close(self) -> None:
        """What still waits goes to the card: the board may be about to lose its power."""
        with self._lock:
            waits = any(queue.waiting for queue in self._queues.values()) or bool(self._unloaded)
            if waits:
                self.settle(overdue=True)
            self._write_state()
            self._segments.close()
            if not waits:
                self._segments.clear()  # or all of it would be sent once more after the next start

    def _read_state(self) -> dict[str, object] | None:
        for path in (self._quick_state_path, self._state_path):
            try:
                saved = json.loads(path.read_text(encoding="utf-8")) if path is not None else None
                if saved is not None:
                    TimeLine("", saved)
                    return dict(saved)
            except (OSError, ValueError, KeyError, TypeError):
                continue
        return None

    def _write_state(self) -> None:
        for path in (self._quick_state_path, self._state_path):
            if path is not None:
                self._write_state_to(path)

    def _write_state_to(self, path: Path) -> None:
        saved = self._time_line.save()
        if saved is None:
            return
        fresh = path.with_suffix(".new")
        try:
            with fresh.open("w", encoding="utf-8") as out:
                json.dump(saved, out)
                out.flush()
                os.fdatasync(out.fileno())
            fresh.replace(path)
        except OSError as bad:
            log.error("the outbox's time line cannot be written: %s", bad.strerror or bad)
