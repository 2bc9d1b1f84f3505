"""Readings on a time-series server, by way of this board: written to SQLite first, then sent on.

A reading counts as stored when it is in the board's file, so the server may be away for as long as the card has room.
It stays there until the server has given it back twice, the second time after the server has had time to write it
down (victoria-metrics loses its last seconds when killed), and for two days more. One-minute figures stay here for
good, so wide views and energy do not ask the server.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from loadbook.reading import Reading, Series
from loadbook.store.connect import read_only, transaction
from loadbook.store.elsewhere import WithElsewhere
from loadbook.store.readings import NOTHING, Delivered, Row
from loadbook.store.server import Server
from loadbook.store.sqlite_readings import SqliteReader, SqliteStore, StoreError

log = logging.getLogger(__name__)

AT_ONCE = 5_000
"""Readings of a meter sent in one go."""
SETTLE_S = 30.0
"""After this the server has written down what it took; then it is read again."""
TURN_S = 2.0
AWAY_S = 10.0
UNSET_WAIT_MS = 86_400_000
"""Readings of a board whose clock is not set wait for it at most this long: what is sent cannot be moved any more."""
FAR_MS = 1 << 53


class ServerStore(WithElsewhere, SqliteStore):
    """The recorder's side. A thread sends on; what it found out is written down with the next ``append``."""

    def __init__(self, path: Path, server: Server) -> None:
        SqliteStore.__init__(self, path)
        self.elsewhere = self.server = server
        self.trouble = ""
        self.settled_ms: dict[str, int] = {}
        """Up to where each meter's times are final; replaced as a whole, read by the thread."""
        self._marks: queue.SimpleQueue[tuple[str, int]] = queue.SimpleQueue()
        self._late: dict[str, int] = {}
        self._lock = threading.Lock()
        self._newest_ms: dict[str, int] = {m: s[1] for m in self.meters() if (s := self.span(m))}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=Forwarding(self).run, name="forwarding", daemon=True)
        self._thread.start()

    def append(self, rows: Sequence[Row], delivered: Delivered = NOTHING) -> int:
        new = super().append(rows, delivered)
        self._write_marks(rows)
        return new

    def settle(self, meter: str, upto_ms: int) -> None:
        if upto_ms > self.settled_ms.get(meter, -1):
            self.settled_ms = {**self.settled_ms, meter: upto_ms}

    def shift(self, meter: str, from_ms: int, to_ms: int, by_ms: int, mark: str) -> int:
        number = self.number(meter)
        if number is not None:
            row = self.db.execute("SELECT upto_ms FROM forwarded WHERE meter = ?", (number,)).fetchone()
            if row is not None:
                from_ms = max(from_ms, row[0] + 1)  # what the server has cannot be moved
        return super().shift(meter, from_ms, to_ms, by_ms, mark)

    def droppable_ms(self, meter: str) -> int:
        """Up to where the server is known to have a meter's full rate."""
        row = self.db.execute(
            "SELECT upto_ms FROM forwarded WHERE meter = (SELECT number FROM meter WHERE id = ?)", (meter,)
        ).fetchone()
        return -1 if row is None else int(row[0])

    def marked(self, meter: str, upto_ms: int) -> None:
        """From the thread: the server has a meter's readings up to there for good."""
        self._marks.put((meter, upto_ms))

    def take_late(self, meter: str) -> list[int]:
        """For the thread: after which instant readings of a meter have arrived late since it last asked, if any."""
        with self._lock:
            at_ms = self._late.pop(meter, None)
        return [] if at_ms is None else [at_ms]

    def _write_marks(self, rows: Sequence[Row]) -> None:
        marks: dict[str, int] = {}
        while not self._marks.empty():
            meter, upto_ms = self._marks.get()
            marks[meter] = upto_ms
        oldest: dict[str, int] = {}
        newest: dict[str, int] = {}
        for meter, reading in rows:
            oldest[meter] = min(reading.at_ms, oldest.get(meter, FAR_MS))
            newest[meter] = max(reading.at_ms, newest.get(meter, -1))
        for meter, at_ms in oldest.items():
            if at_ms <= self._newest_ms.get(meter, -1):
                with self._lock:
                    self._late[meter] = min(at_ms - 1, self._late.get(meter, FAR_MS))
            self._newest_ms[meter] = max(newest[meter], self._newest_ms.get(meter, -1))
        with transaction(self.db):
            for meter, upto_ms in marks.items():
                self.db.execute(
                    "INSERT INTO forwarded (meter, upto_ms) SELECT number, ?2 FROM meter WHERE id = ?1 "
                    "ON CONFLICT (meter) DO UPDATE SET upto_ms = ?2",
                    (meter, upto_ms),
                )
            # What arrives late is sent late: back to before it. Nothing is sent twice, the server is asked first.
            self.db.executemany(
                "UPDATE forwarded SET upto_ms = ?1 WHERE meter = (SELECT number FROM meter WHERE id = ?2) "
                "AND upto_ms > ?1",
                [(at_ms - 1, meter) for meter, at_ms in oldest.items()],
            )

    @property
    def stopping(self) -> threading.Event:
        return self._stop

    def close(self) -> None:
        self._stop.set()
        self._thread.join(2 * AWAY_S)
        if not self._thread.is_alive():
            self.server.close()
        super().close()


class Forwarding:
    """Sends a store's readings on, reads them back, and reads them again later. A thread's own; reads the file through
    a connection of its own and never writes it."""

    def __init__(self, store: ServerStore) -> None:
        self._store = store
        self._sent_ms: dict[str, int] = {}
        self._sure_ms: dict[str, int] = {}
        self._unsure: dict[str, list[tuple[float, int, int]]] = {}
        """Per meter: (when sent, first, last) of what has been read back once."""
        self._doubtful: set[str] = set()
        """Meters of which the server may have more than we know: it is asked before anything is sent."""

    def run(self) -> None:
        stop = self._store.stopping
        reader: SqliteReader | None = None
        wait_s = 0.0
        while not stop.wait(wait_s):
            wait_s = TURN_S
            try:
                reader = reader or SqliteReader(read_only(self._store.path))
                reader.db.row_factory = None
                for meter in reader.meters():
                    if stop.is_set():
                        break
                    self._turn(reader, meter)
                if self._store.trouble:
                    log.warning("the time-series server takes readings again")
                self._store.trouble = ""
            except StoreError as bad:
                if not self._store.trouble:
                    log.warning("%s; readings wait on this board", bad)
                self._store.trouble = str(bad)
                wait_s = AWAY_S
            except Exception:
                log.exception("sending readings on")
                wait_s = AWAY_S
        if reader is not None:
            reader.close()

    def _turn(self, reader: SqliteReader, meter: str) -> None:
        number = reader.number(meter)
        row = reader.db.execute("SELECT upto_ms FROM forwarded WHERE meter = ?", (number,)).fetchone()
        known_ms = -1 if row is None else int(row[0])
        late = self._store.take_late(meter)
        if meter not in self._sent_ms or late:
            # At the start, and when something arrived late: once more from what is known for good on.
            self._sent_ms[meter] = min([known_ms, self._sent_ms.get(meter, known_ms), *late])
            self._sure_ms[meter] = self._sent_ms[meter]
            self._unsure[meter] = []
            self._doubtful.add(meter)
        self._look_again(reader, meter)
        while not self._store.stopping.is_set():
            rows = reader.series(meter, self._sent_ms[meter] + 1, self._limit_ms(reader, meter) + 1, limit=AT_ONCE)
            if len(rows) == 0:
                return
            self._send(meter, rows)
            if len(rows) < AT_ONCE:
                return

    def _limit_ms(self, reader: SqliteReader, meter: str) -> int:
        span = reader.span(meter)
        last_ms = span[1] if span else -1
        return max(self._store.settled_ms.get(meter, -1), last_ms - UNSET_WAIT_MS)

    def _send(self, meter: str, rows: Series) -> None:
        first_ms, last_ms = int(rows.at_ms[0]), int(rows.at_ms[-1])
        missing = list(rows.readings())
        if meter in self._doubtful:
            missing = self._missing(meter, rows)
        if missing:
            try:
                self._store.server.write(meter, missing)
                self._wait_until_there(meter, rows)
            except StoreError:
                self._doubtful.add(meter)
                raise
        self._sent_ms[meter] = last_ms
        self._unsure[meter].append((time.monotonic(), first_ms, last_ms))
        self._doubtful.discard(meter)

    def _wait_until_there(self, meter: str, rows: Series) -> None:
        for attempt in range(8):
            missing = self._missing(meter, rows)
            if not missing:
                return
            if self._store.stopping.wait(0.25 * (attempt + 1)):
                break
        raise StoreError(
            f"{self._store.server.url}: takes readings of {meter} and does not have them "
            f"({len(missing)} from {missing[0].at_ms} on; does its retention reach that far?)"
        )

    def _missing(self, meter: str, rows: Series) -> list[Reading]:
        there = self._store.server.read(meter, int(rows.at_ms[0]), int(rows.at_ms[-1]) + 1)
        by_time = {r.at_ms: r for r in there.readings()}
        return [r for r in rows.readings() if by_time.get(r.at_ms) != r]

    def _look_again(self, reader: SqliteReader, meter: str) -> None:
        """What was sent a while ago is read once more; what is gone is sent again."""
        unsure = self._unsure[meter]
        while unsure and time.monotonic() - unsure[0][0] >= SETTLE_S:
            _, first_ms, last_ms = unsure[0]
            rows = reader.series(meter, first_ms, last_ms + 1)
            missing = self._missing(meter, rows) if len(rows) else []
            if missing:
                log.warning("the time-series server has lost %d readings of %s: sent again", len(missing), meter)
                self._sent_ms[meter] = first_ms - 1
                unsure.clear()
                self._doubtful.add(meter)
                return
            unsure.pop(0)
            self._sure_ms[meter] = last_ms
            self._store.marked(meter, last_ms)
