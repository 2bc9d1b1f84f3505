"""What the recorder writes and when: readings first, then in one transaction what was said of them, where the
recogniser stands and what is committed. Whatever is not written yet waits here, bounded.

A power cut between the two leaves readings that nobody has reported as committed: the poller sends them again, the
store knows them, and the recogniser, restored to before them, hears them once.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, field

from loadbook.costing import CyclePricer
from loadbook.events import AlertChanged, CycleChanged, Event
from loadbook.reading import Reading
from loadbook.services.watch import Watch
from loadbook.store.ledger import Ledger
from loadbook.store.readings import ReadingStore, Row
from loadbook.store.rows import open_cycles
from loadbook.store.sqlite_readings import StoreError
from loadbook.transport.packs import Step

log = logging.getLogger(__name__)

MOST_ROWS = 50_000
"""Readings that may wait to be written; while there are more, none are taken in (pollers keep them)."""
SAVE_EVERY_S = 300.0
"""A recogniser that says nothing is saved this often; a restart reads back at most so much."""
FAR_MS = 1 << 53


@dataclass(slots=True)
class Written:
    """What a commit has made known: sequence numbers by (session, meter), and events by machine."""

    committed: dict[tuple[str, str], int] = field(default_factory=dict)
    said: list[tuple[str, Event]] = field(default_factory=list)


class Books:
    """Store and ledger of one recorder. One thread."""

    def __init__(self, store: ReadingStore, ledger: Ledger, pricer: CyclePricer) -> None:
        self.store, self.ledger = store, ledger
        self._pricer = pricer
        self.rows: list[Row] = []
        self._committed: dict[tuple[str, str], int] = {}
        self._said: list[tuple[Watch, Event]] = []
        self._told = 0
        """How many of what was said have been announced although they could not be written."""
        self._saved_s: dict[str, float] = {}
        self.urgent = False
        """Whether something was said that people wait for."""
        self.trouble = ""
        """Why the last commit failed; empty when it did not."""

    @property
    def waiting(self) -> bool:
        return bool(self.rows or self._committed or self._said)

    @property
    def full(self) -> bool:
        return len(self.rows) >= MOST_ROWS

    def add(self, meter: str, reading: Reading) -> None:
        """A reading to be written."""
        self.rows.append((meter, reading))

    def taken(self, session: str, meter: str, sequence: int) -> None:
        """Once all that was added before is written, this is committed."""
        self._committed[session, meter] = sequence

    def say(self, watch: Watch, events: Iterable[Event]) -> None:
        """What a machine's recogniser said."""
        for event in events:
            self._said.append((watch, event))
            if not isinstance(event, CycleChanged) or event.cycle.outcome != "running":
                self.urgent = True

    def untold(self) -> list[tuple[str, Event]]:
        """What was said and neither written nor announced yet: alerts go out also while the card takes nothing."""
        found = [(watch.id, event) for watch, event in self._said[self._told :]]
        self._told = len(self._said)
        return found

    def commit(self, watches: Iterable[Watch], now_s: float) -> Written | None:
        """Write all that waits; gives what is now certain, or None when store or ledger refused (nothing is lost)."""
        written = Written()
        try:
            self.store.append(self.rows)
            with self.ledger.transaction():
                self._write(written, watches, now_s)
        except (StoreError, sqlite3.Error) as bad:
            if self.trouble != str(bad):
                log.error("not committed, will try again: %s", bad)
            self.trouble = str(bad)
            return None
        if self.trouble:
            log.warning("committing again after: %s", self.trouble)
        self.trouble, self.urgent = "", False
        self.rows, self._said, self._committed, self._told = [], [], {}, 0
        return written

    def _write(self, written: Written, watches: Iterable[Watch], now_s: float) -> None:
        speakers = set()
        for watch, event in self._said:
            if isinstance(event, CycleChanged) and event.cycle.outcome != "running" and not event.dropped:
                self._pricer.price(self.store, watch.meter, event.cycle)
            self.ledger.apply(watch.id, event)
            written.said.append((watch.id, event))
            speakers.add(watch.id)
        for watch in watches:
            if watch.unsaved:
                self.ledger.touch(watch.id, watch.at_ms)
                if watch.id in speakers or now_s - self._saved_s.get(watch.id, -FAR_MS) >= SAVE_EVERY_S:
                    self.ledger.save_assessor(watch.id, watch.saved())
                    self._saved_s[watch.id] = now_s
        for (session, meter), sequence in self._committed.items():
            self.ledger.set_committed(session, meter, sequence)
        written.committed = dict(self._committed)

    def move(self, watch: Watch | None, key: tuple[str, str], sequence: int, step: Step) -> bool:
        """The board's clock was set: move a meter's readings, and all that was said of its machine. To be called with
        nothing waiting. False when store or ledger refused; then it is to be tried again."""
        session, meter = key
        from_ms, by_ms = step.from_ms, step.by_ms
        try:
            moved = self.store.shift(meter, from_ms, FAR_MS, by_ms, f"{session}/{meter}/{sequence}")
            with self.ledger.transaction():
                if watch is not None:
                    watch.move(by_ms)
                    try:
                        self.ledger.shift(watch.id, from_ms, by_ms)
                        self.ledger.save_assessor(watch.id, watch.saved())
                    except BaseException:
                        watch.move(-by_ms)
                        raise
                self.ledger.set_committed(session, meter, sequence)
        except (StoreError, sqlite3.Error) as bad:
            log.error("readings not moved yet, will try again: %s", bad)
            self.trouble = str(bad)
            return False
        log.warning("meter %s: %d readings moved by %+.0f s: the board's clock was set", meter, moved, by_ms / 1000)
        return True

    def hear_again(self, watch: Watch, from_ms: int) -> None:
        """A recogniser without a state it can use: what it said of an open cycle is taken back and heard again, all
        in the commit that follows."""
        for cycle, alerts in open_cycles(self.ledger.db, watch.id):
            self.say(watch, [AlertChanged(cycle.end_ms, alert, withdrawn=True) for alert in alerts])
            self.say(watch, [CycleChanged(cycle.end_ms, cycle, dropped=True)])
        watch.at_ms = from_ms
        self.replay(watch)

    def replay(self, watch: Watch) -> None:
        """After a restart: let the recogniser hear what was stored and it has not heard."""
        while len(series := self.store.series(watch.meter, watch.at_ms + 1, FAR_MS, limit=100_000)):
            self.say(watch, watch.feed_series(series))
            if int(series.at_ms[-1]) > watch.at_ms:
                break  # readings without power: heard of, and nothing to say
