"""The recorder: takes readings from the broker, writes them, watches the machines, publishes what is certain, and does
what people ask. The only writer of store and ledger.
"""

from __future__ import annotations

import json
import logging
import queue
import secrets
import threading
import time
from collections.abc import Callable
from pathlib import Path

from loadbook.clock import Clock
from loadbook.events import Event
from loadbook.machine import Machine
from loadbook.services.announce import messages
from loadbook.services.books import Books, Written
from loadbook.services.door import Door
from loadbook.services.intake import Key
from loadbook.services.machine_desk import MachineDesk
from loadbook.services.reception import Reception
from loadbook.services.site import Site, load_site
from loadbook.services.soak_desk import SoakDesk
from loadbook.services.watch import Watch
from loadbook.settings import Settings
from loadbook.store.choose import open_store
from loadbook.store.ledger import Ledger
from loadbook.store.readings import Delivered
from loadbook.store.set_aside import SetAside
from loadbook.transport.client import Client
from loadbook.transport.topics import Topics

log = logging.getLogger(__name__)

MOST_MESSAGES = 5_000
AT_ONCE = 200
COMMIT_AT_ROWS = 5_000
"""A backlog is committed as soon as so much of it is there."""
URGENT_EVERY_S = 0.5
RETRY_S = 2.0
SUSPECT_EVERY_S = 5.0
TELL_AGAIN_S = 1.0
STATE_EVERY_S = 30.0
REVIEW_EVERY_S = 20.0
"""A soak test that is to end at a set time ends so soon after it; every event is a review as well."""
TIDY_EVERY_S = 3600.0
STUCK_S = 120.0

REBUILD_MS = 2 * 86_400_000
"""A recogniser without a saved state hears at most so much again."""

Job = Callable[[], None]


class Recorder:
    """A part of a service (``life.Part``)."""

    name = "recorder"

    def __init__(self, settings: Settings, folder: Path, clock: Clock, *, patient: bool = False) -> None:
        """``folder``: the settings file's, which paths in it are relative to. ``patient``: a broker that is not there
        yet is waited for."""
        self.settings, self.folder, self.clock = settings, folder, clock
        self.data = folder / settings.store.folder
        self._patient = patient
        self._session = secrets.token_hex(4)
        """Names this run of the recorder: pollers that see a new one send again at once."""
        self._topics = Topics(settings.site.name)
        self._inbox: queue.Queue[tuple[str, str, bytes] | Job] = queue.Queue(MOST_MESSAGES)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._alive_s = time.monotonic()
        self._committed_s = self._suspected_s = self._stated_s = self._reviewed_s = self._tidied_s = self._alive_s
        self._told_s: dict[Key, float] = {}
        self._said_trouble = ""
        self._trouble = ""
        self._later: list[Job] = []

    # life -------------------------------------------------------------------------------------------------------

    def startup(self) -> None:
        """Raises LoadbookError where a file, the store or the broker cannot be used."""
        site = load_site(self.settings, self.folder)
        store = open_store(self.settings, self.data, self.folder)
        try:
            self.ledger = Ledger.open(self.data)
        except BaseException:
            store.close()
            raise
        try:
            self.books = Books(store, self.ledger, site.pricer)
            self.desk = SoakDesk(self.ledger, site.accuracy.get)
            files = MachineDesk(self.ledger, site.paths, self._renew)
            self._door = Door(self.ledger, {**self.desk.actions, **files.actions})
            self._bring_over_committed()
            self.books.complete_moves()
            self._reception = Reception(
                self.settings.site.name, self.books, SetAside(self.data), self.clock, self._commit
            )
            self._begin_watches(site)
            state = self._topics.state("recorder")
            self._client = Client(
                self.settings.broker,
                "loadbook-recorder",
                folder=self.folder,
                will=(state, b'{"online": false}'),
                on_up=lambda: self._stir(self._publish_state),
            )
            self._client.subscribe(self._topics.readings(), lambda t, p: self._put(("readings", t, p)))
            self._client.subscribe(self._topics.request, lambda t, p: self._put(("request", t, p)))
            self._client.start(patient=self._patient)
        except BaseException:
            store.close()
            self.ledger.close()
            raise
        self._alive_s = time.monotonic()
        self._thread.start()

    def turn(self) -> None:
        if not self._thread.is_alive():
            raise RuntimeError("the recorder's thread has ended")

    def healthy(self) -> bool:
        return self._thread.is_alive() and time.monotonic() - self._alive_s < STUCK_S

    def shutdown(self) -> None:
        self._stop.set()
        self._thread.join(30.0)
        self._client.stop(farewell=(self._topics.state("recorder"), b'{"online": false}'))
        self.books.store.close()
        self.ledger.close()

    def do(self, job: Job) -> None:
        """Have something done in the recorder's thread, between two messages (housekeeping)."""
        self._inbox.put(job)

    def do_later(self, job: Job) -> None:
        """The same from within the recorder's thread: after what has arrived by now."""
        self._later.append(job)

    def tell_trouble(self, what: str) -> None:
        """Something people should know of, shown in the recorder's state; empty when it is over."""
        self._trouble = what
        self._stir(self._publish_state)

    def publish_day(self, text: str) -> None:
        """The day's summary, retained."""
        self._client.publish(self._topics.day, text, retain=True)

    def _bring_over_committed(self) -> None:
        """What an earlier program kept of deliveries in the ledger belongs beside the readings."""
        before = self.ledger.take_committed()
        if before:
            self.books.store.append([], Delivered({**before, **self.books.store.committed()}))
            with self.ledger.transaction():
                self.ledger.forget_committed()

    def _begin_watches(self, site: Site) -> None:
        with self.ledger.transaction():
            for machine in site.machines.values():
                self.ledger.put_machine(machine, site.meter_of.get(machine.id), site.texts[machine.id])
        for machine_id, meter in site.meter_of.items():
            watch = Watch(site.machines[machine_id], meter, site.limits, site.causes)
            saved = self.ledger.saved_assessor(machine_id)
            from_ms = None
            if saved is None or not watch.restore(saved):
                newest = store_last(self.books.store.span(meter))
                from_ms = max(self.ledger.rebuild_from_ms(machine_id), newest - REBUILD_MS)
            self._reception.watch(meter, watch, from_ms)

    def _renew(self, machine: Machine) -> None:
        """Watch a machine by its changed file, as soon as the request is carried out."""

        def begin() -> None:
            for meter, old in self._reception.watches.items():
                if old.machine.id == machine.id:
                    self._reception.watches[meter] = old.renewed(machine)

        self.do_later(begin)

    # the loop ---------------------------------------------------------------------------------------------------

    def _put(self, message: tuple[str, str, bytes]) -> None:
        try:
            self._inbox.put_nowait(message)
        except queue.Full:
            log.warning("more arrives than can be written; pollers will send it again")

    def _stir(self, job: Job) -> None:
        try:
            self._inbox.put_nowait(job)
        except queue.Full:
            log.warning("the recorder is behind")

    def _run(self) -> None:
        while not self._stop.is_set():
            self._alive_s = time.monotonic()
            try:
                self._take_messages(0.0 if self._later else 0.2)
                if self._later:
                    self._later.pop(0)()
                self._keep_time()
                self._commit_when_due()
            except Exception:
                log.exception("recording")
                self._stop.wait(1.0)
        try:
            self._take_messages(0.0, most=MOST_MESSAGES)
            self._commit(last=True)
        except Exception:
            log.exception("at the end of recording")

    def _take_messages(self, wait_s: float, most: int = AT_ONCE) -> None:
        for i in range(most):
            try:
                message = self._inbox.get(timeout=wait_s) if i == 0 and wait_s else self._inbox.get_nowait()
            except queue.Empty:
                return
            try:
                if callable(message):
                    message()
                elif message[0] == "readings":
                    again = self._reception.take(message[1], message[2])
                    if again is not None:
                        self._tell_again(*again)
                else:
                    self._request(message[2])
            except Exception:
                log.exception("a message")

    def _request(self, payload: bytes) -> None:
        if self.books.waiting:
            self._commit()  # what was said before is asked about
        answer = self._door.answer(payload, self.clock.now_ms())
        if answer is not None:
            self._client.publish(self._topics.answer, json.dumps(answer, ensure_ascii=False))

    def _keep_time(self) -> None:
        now_s = time.monotonic()
        if now_s - self._suspected_s >= SUSPECT_EVERY_S / self.clock.speed:
            self._suspected_s = now_s
            self._reception.suspect(self.clock.mono_ms())
        if now_s - self._tidied_s >= TIDY_EVERY_S:
            self._tidied_s = now_s
            self._told_s.clear()
            self._reception.tidy()
        if now_s - self._reviewed_s >= REVIEW_EVERY_S / self.clock.speed:
            self._review()
        if now_s - self._stated_s >= STATE_EVERY_S or self._troubles() != self._said_trouble:
            self._publish_state()

    # committing -------------------------------------------------------------------------------------------------

    def _commit_when_due(self) -> None:
        if not self.books.waiting:
            return
        waited_s = time.monotonic() - self._committed_s
        if self.books.trouble:
            due = waited_s >= RETRY_S
        else:
            due = (
                waited_s >= self.settings.store.commit_every_s
                or len(self.books.rows) >= COMMIT_AT_ROWS
                or (self.books.urgent and waited_s >= URGENT_EVERY_S)
            )
        if due:
            self._commit()

    def _commit(self, *, last: bool = False) -> bool:
        self._committed_s = time.monotonic()
        written = self.books.commit(self._reception.watches.values(), time.monotonic(), last=last)
        if written is None:
            self._announce(self.books.untold())
            return False
        self._publish(written)
        if written.said:
            self._review()
        return True

    def _review(self) -> None:
        self._reviewed_s = time.monotonic()
        with self.ledger.transaction():
            for number in self.desk.review(self.clock.now_ms()):
                log.info("soak test %s has ended", number)

    def _publish(self, written: Written) -> None:
        by_session: dict[str, dict[str, int]] = {}
        for (session, meter), sequence in written.committed.items():
            by_session.setdefault(session, {})[meter] = sequence
        for session, meters in by_session.items():
            self._client.publish(self._topics.committed, json.dumps({"session": session, "committed": meters}))
        self._announce(written.said)

    def _announce(self, said: list[tuple[str, Event]]) -> None:
        by_machine: dict[str, list[Event]] = {}
        for machine, event in said:
            by_machine.setdefault(machine, []).append(event)
        for machine, events in by_machine.items():
            for topic, payload, retain in messages(self._topics, machine, events):
                self._client.publish(topic, payload, retain=retain)

    def _tell_again(self, key: Key, wanted: int | None) -> None:
        now_s = time.monotonic()
        if now_s - self._told_s.get(key, 0.0) < TELL_AGAIN_S:
            return
        self._told_s[key] = now_s
        session, meter = key
        said: dict[str, object] = {"session": session}
        committed = self._certain(key)
        if committed is not None:
            said["committed"] = {meter: committed}
        if wanted is not None:
            said["wanted"] = {meter: wanted}
        self._client.publish(self._topics.committed, json.dumps(said))

    def _certain(self, key: Key) -> int | None:
        return self.books.store.committed().get(key)

    def _troubles(self) -> str:
        return self.books.trouble or self.books.store.trouble or self._trouble

    def _publish_state(self) -> None:
        self._stated_s = time.monotonic()
        self._said_trouble = self._troubles()
        state = {
            "online": True,
            "session": self._session,
            "at_ms": self.clock.now_ms(),
            "trouble": self._said_trouble or None,
            "waiting": len(self.books.rows),
            **self._reception.standing(),
        }
        self._client.publish(self._topics.state("recorder"), json.dumps(state), retain=True)


def store_last(span: tuple[int, int] | None) -> int:
    """The newest instant of a store's span, or long ago."""
    return -1 if span is None else span[1]
