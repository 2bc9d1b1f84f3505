"""Where readings come in: a message becomes readings for the books and something for a machine's recogniser to hear.

Nothing may stand in the way of a reading that is acknowledged further on: what cannot be read is set aside, and a
recogniser that fails on a reading begins anew after it while the reading is kept all the same.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import Any

from loadbook.clock import Clock
from loadbook.events import Event
from loadbook.reading import Reading
from loadbook.services.books import Books
from loadbook.services.intake import Intake, Key
from loadbook.services.watch import Watch
from loadbook.store.set_aside import SetAside
from loadbook.transport.packs import Entry, Pack, Step, Unreadable, decode
from loadbook.transport.senml import SenmlError
from loadbook.transport.topics import subject_of

log = logging.getLogger(__name__)


class Reception:
    """One thread: the recorder's."""

    def __init__(self, site: str, books: Books, aside: SetAside, clock: Clock, commit: Callable[[], bool]) -> None:
        """``commit`` writes all that waits in the books, and says whether that went well."""
        self._site, self._books, self._aside, self._clock, self._commit = site, books, aside, clock, commit
        self.intake = Intake(books.store.committed())
        self.watches: dict[str, Watch] = {}
        """By meter."""
        self.heard_mono_ms: dict[str, int] = {}
        self.failures = 0
        """How often a recogniser failed and began anew."""

    def standing(self) -> dict[str, Any]:
        """For the recorder's state."""
        return {
            "lost": self.intake.lost,
            "passed_over": self.intake.passed_over,
            "set_aside": self._aside.standing(),
            "failures": self.failures,
        }

    def watch(self, meter: str, watch: Watch, from_ms: int | None) -> None:
        """Watch a machine from now on, after hearing what is stored. ``from_ms``: from there on, for want of a saved
        state; None: from where the watch was restored to."""
        self.watches[meter] = watch
        self.heard_mono_ms[meter] = self._clock.mono_ms()
        try:
            if from_ms is None:
                self._books.replay(watch)
            else:
                self._books.hear_again(watch, from_ms)
        except Exception:
            span = self._books.store.span(meter)
            self._begin_anew(meter, watch, watch.at_ms if span is None else span[1])

    def take(self, topic: str, payload: bytes) -> tuple[Key, int | None] | None:
        """A message of readings. Gives whom to tell again what is committed, and from which number on entries are
        missing, where that is called for."""
        try:
            pack = decode(self._site, payload)
            if pack.meter != subject_of(topic):
                raise SenmlError(f"it speaks of meter {pack.meter!r} on another meter's topic")
        except SenmlError as bad:
            meter = subject_of(topic)
            self.intake.unreadable(meter, self._set_aside(topic, payload, meter, str(bad), 0))
            return None
        if self._books.full:
            return None
        gone = self.intake.lost + self.intake.passed_over
        taken = self.intake.accept(pack, time.monotonic())
        gone = self.intake.lost + self.intake.passed_over - gone
        if gone:
            log.warning("meter %s: %d entries will never come: its poller gave them up, or nobody can read them",
                        pack.meter, gone)  # fmt: skip
        if taken.wanted is not None or taken.known:
            return (pack.session, pack.meter), taken.wanted
        self.heard_mono_ms[pack.meter] = self._clock.mono_ms()
        for entry in taken.fresh:
            done = False
            try:
                done = self._take(pack, entry)
            finally:
                if not done:
                    self.intake.rewind((pack.session, pack.meter), entry.sequence - 1)
            if not done:
                return None
        self._books.holds(pack.meter, pack.holds)
        unreadable = [entry.what.why for entry in taken.fresh if isinstance(entry.what, Unreadable)]
        if unreadable:
            self._set_aside(topic, payload, pack.meter, unreadable[0], len(unreadable))
        if pack.clock_set:
            self._books.store.settle(pack.meter, max(entry.at_ms for entry in taken.fresh))
        return None

    def tidy(self) -> None:
        """Once in a while: forget what the store has forgotten of pollers' runs."""
        self.intake.keep({*self._books.store.committed(), *self._books.pending})

    def suspect(self, mono_ms: int) -> None:
        """Ask every recogniser what it means that nothing has arrived since the last reading."""
        for meter, watch in list(self.watches.items()):
            at_ms = watch.at_ms + mono_ms - self.heard_mono_ms[meter]
            try:
                self._books.say(watch, watch.suspect(at_ms))
            except Exception:
                self._begin_anew(meter, watch, watch.at_ms)

    def _take(self, pack: Pack, entry: Entry) -> bool:
        """One entry. False where it has to come again."""
        watch, what = self.watches.get(pack.meter), entry.what
        if isinstance(what, Step):
            if self._books.waiting and not self._commit():
                return False
            return self._books.move(watch, (pack.session, pack.meter), entry.sequence, what)
        if isinstance(what, Reading):
            self._books.add(pack.meter, what)
        if watch is not None and not isinstance(what, Unreadable):
            try:
                self._books.say(watch, self._hear(watch, entry))
            except Exception:
                self._begin_anew(pack.meter, watch, max(watch.at_ms, entry.at_ms))
        self._books.taken(pack.session, pack.meter, entry.sequence)
        return True

    def _hear(self, watch: Watch, entry: Entry) -> list[Event]:
        if isinstance(entry.what, Reading):
            return watch.feed(entry.what)
        return watch.tick(entry.at_ms)

    def _begin_anew(self, meter: str, watch: Watch, at_ms: int) -> None:
        """A fault of ours: it must cost the open cycle at most, and no reading."""
        self.failures += 1
        log.exception("the recogniser of %s failed and begins anew; readings are kept", watch.id)
        self.watches[meter] = fresh = watch.renewed(watch.machine)
        fresh.at_ms = at_ms
        if self._books.waiting:
            self._commit()  # what it said before has to be written to be found there
        self._books.take_back(fresh)

    def _set_aside(self, topic: str, payload: bytes, meter: str, why: str, entries: int) -> int:
        return self._aside.keep(topic, payload, meter, why, entries, self._clock.now_ms(), time.monotonic())
