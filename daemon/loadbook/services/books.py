"""What the recorder writes and when. Whatever is not written yet waits here, bounded.

In one transaction of the store: readings, and up to where each poller has thereby delivered. Then, where anything was
said, in one transaction of the ledger what the recognisers said. Only then is anything reported as committed.

Where a recogniser stands is written now and then, not each time it speaks, because a card wears out by being written:
after a restart it hears again from the store what came after, says the same of it, and what it says overwrites itself.
What it only suspects, and may have to take back, is written as soon as it is said.
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
from loadbook.store.ledger import Ledger, Move
from loadbook.store.readings import Delivered, ReadingStore, Row
from loadbook.store.rows import open_cycles
from loadbook.store.sqlite_readings import StoreError
from loadbook.transport.packs import Step

log = logging.getLogger(__name__)

MOST_ROWS = 50_000
"""Readings that may wait to be written; while there are more, none are taken in (pollers keep them)."""
SAVE_EVERY_S = 900.0
"""Where a recogniser stands is written this often; a restart reads back at most so much."""
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
        self._holds: dict[str, frozenset[str]] = {}
        self._held: dict[str, frozenset[str]] = {}
        """What each meter's poller said last that it holds, as it is written."""
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
    def pending(self) -> frozenset[tuple[str, str]]:
        """(session, meter) of what waits to be committed."""
        return frozenset(self._committed)

    @property
    def full(self) -> bool:
        return len(self.rows) >= MOST_ROWS

    def add(self, meter: str, reading: Reading) -> None:
        """A reading to be written."""
        self.rows.append((meter, reading))

    def taken(self, session: str, meter: str, sequence: int) -> None:
        """Once all that was added before is written, this is committed."""
        self._committed[session, meter] = sequence

    def holds(self, meter: str, sessions: frozenset[str]) -> None:
        """A meter's poller may still send something of these runs, and of no other."""
        if self._held.get(meter) != sessions:
            self._holds[meter] = sessions

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

    def commit(self, watches: Iterable[Watch], now_s: float, *, last: bool = False) -> Written | None:
        """Write all that waits; gives what is now certain, or None when store or ledger refused (nothing is lost).
        ``last``: write down where every recogniser stands, too."""
        written = Written(dict(self._committed))
        due = [w for w in watches if w.unsaved and (last or w.doubts_unsaved or self._save_due(w, now_s))]
        try:
            self.store.append(self.rows, Delivered(self._committed, self._holds))
            if self._said or due:
                with self.ledger.transaction():
                    self._write(written, due)
        except (StoreError, sqlite3.Error) as bad:
            if self.trouble != str(bad):
                log.error("not committed, will try again: %s", bad)
            self.trouble = str(bad)
            return None
        if self.trouble:
            log.warning("committing again after: %s", self.trouble)
        for watch in due:
            self._saved_s[watch.id] = now_s
        self._held.update(self._holds)
        self.trouble, self.urgent = "", False
        self.rows, self._said, self._committed, self._holds, self._told = [], [], {}, {}, 0
        return written

    def _save_due(self, watch: Watch, now_s: float) -> bool:
        return now_s - self._saved_s.get(watch.id, -FAR_MS) >= SAVE_EVERY_S

    def _write(self, written: Written, due: list[Watch]) -> None:
        speakers: dict[str, Watch] = {}
        for watch, event in self._said:
            if isinstance(event, CycleChanged) and event.cycle.outcome != "running" and not event.dropped:
                self._pricer.price(self.store, watch.meter, event.cycle)
            self.ledger.apply(watch.id, event)
            written.said.append((watch.id, event))
            speakers[watch.id] = watch
        for watch in [*speakers.values(), *due]:
            self.ledger.touch(watch.id, watch.at_ms)
        for watch in due:
            self.ledger.save_assessor(watch.id, watch.saved())

    def move(self, watch: Watch | None, key: tuple[str, str], sequence: int, step: Step) -> bool:
        """The board's clock was set: move all that was said of a meter's machine, then its readings. To be called with
        nothing waiting. False when store or ledger refused; then it is to be tried again."""
        move = Move(*key, sequence, step.from_ms, step.by_ms)
        try:
            if not self.ledger.is_moving(move):
                self._move_said(watch, move)
            moved = self._move_readings(move)
        except (StoreError, sqlite3.Error) as bad:
            log.error("readings not moved yet, will try again: %s", bad)
            self.trouble = str(bad)
            return False
        by_s = step.by_ms / 1000
        log.warning("meter %s: %d readings moved by %+.0f s: the board's clock was set", move.meter, moved, by_s)
        return True

    def complete_moves(self) -> None:
        """At start, before anything is read: a move that a power cut came between. Raises StoreError."""
        for move in self.ledger.moves():
            moved = self._move_readings(move)
            log.warning("meter %s: %d readings moved that a power cut had left", move.meter, moved)

    def _move_said(self, watch: Watch | None, move: Move) -> None:
        by_ms = 0
        try:
            with self.ledger.transaction():
                self.ledger.begin_move(move)
                if watch is not None:
                    watch.move(move.by_ms)
                    by_ms = move.by_ms
                    self.ledger.shift(watch.id, move.from_ms, move.by_ms)
                    self.ledger.save_assessor(watch.id, watch.saved())
        except BaseException:
            if watch is not None and by_ms:
                watch.move(-by_ms)
            raise

    def _move_readings(self, move: Move) -> int:
        moved = self.store.shift(move.meter, move.from_ms, FAR_MS, move.by_ms, move.mark)
        self.store.append([], Delivered({(move.session, move.meter): move.sequence}))
        with self.ledger.transaction():
            self.ledger.end_move(move)
        return moved

    def hear_again(self, watch: Watch, from_ms: int) -> None:
        """A recogniser without a state it can use: what it said of an open cycle is taken back and heard again, all
        in the commit that follows."""
        self.take_back(watch)
        watch.at_ms = from_ms
        self.replay(watch)

    def take_back(self, watch: Watch) -> None:
        """What is written of a machine's open cycle is taken back, for want of a recogniser that knows of it."""
        for cycle, alerts in open_cycles(self.ledger.db, watch.id):
            self.say(watch, [AlertChanged(cycle.end_ms, alert, withdrawn=True) for alert in alerts])
            self.say(watch, [CycleChanged(cycle.end_ms, cycle, dropped=True)])

    def replay(self, watch: Watch) -> None:
        """After a restart: let the recogniser hear what was stored and it has not heard."""
        while len(series := self.store.series(watch.meter, watch.at_ms + 1, FAR_MS, limit=100_000)):
            self.say(watch, watch.feed_series(series))
            if int(series.at_ms[-1]) > watch.at_ms:
                break  # readings without power: heard of, and nothing to say
