"""What is written when, and that a power cut between two files leaves nothing half done."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from loadbook.assessment import Found
from loadbook.costing import CyclePricer
from loadbook.files import find_log, load_causes
from loadbook.judge.limits import Limits
from loadbook.logs import read_log
from loadbook.machine import parse_machine
from loadbook.services.books import Books
from loadbook.services.watch import Watch
from loadbook.settings import Settings
from loadbook.store.connect import READINGS_FILE
from loadbook.store.ledger import Ledger
from loadbook.store.rows import cycles_between
from loadbook.store.sqlite_readings import SqliteStore, StoreError
from loadbook.transport.packs import Step

PLATE = '[machine]\nid = "quay-washer-1"\nname = "Washer 1"\nkind = "washing_machine"\nstandby_w = 1.2\n'
MACHINE = parse_machine(PLATE, "washer.toml")
LOG = list(read_log(find_log(Path("washer-healthy"))).series.slice(0, 1500).readings())
FAR = 1 << 53
KEY = ("s", "m1")


class Desk:
    """Books, with a watch that goes on from what they have."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = SqliteStore(folder / READINGS_FILE)
        self.ledger = Ledger.open(folder)
        self.books = Books(self.store, self.ledger, CyclePricer(Settings(), folder))
        with self.ledger.transaction():
            self.ledger.put_machine(MACHINE, "m1")
        self.books.complete_moves()
        self.watch = Watch(MACHINE, "m1", Limits(), load_causes())
        saved = self.ledger.saved_assessor(MACHINE.id)
        if saved is not None:
            assert self.watch.restore(saved)
        self.books.replay(self.watch)

    def hear(self, first: int, last: int, by_ms: int = 0) -> None:
        for i in range(first, last):
            reading = replace(LOG[i], at_ms=LOG[i].at_ms + by_ms)
            self.books.add("m1", reading)
            self.books.say(self.watch, self.watch.feed(reading))
            self.books.taken(*KEY, i + 1)

    def commit(self, now_s: float = 0.0) -> None:
        assert self.books.commit([self.watch], now_s) is not None

    def cut(self) -> Desk:
        """The power goes and comes back."""
        self.store.close()
        self.ledger.close()
        return Desk(self.folder)

    def close(self) -> None:
        self.store.close()
        self.ledger.close()

    def cycles(self) -> list[tuple[int, list[tuple[str, int | None]]]]:
        found = cycles_between(self.ledger.db, MACHINE.id, 0, FAR)
        return [(c.key_ms, [(p.stage, p.start_ms) for p in c.phases]) for c in found]


def in_peace(by_ms: int) -> list[tuple[int, list[tuple[str, int | None]]]]:
    watch, heard = Watch(MACHINE, "m1", Limits(), load_causes()), Found()
    for reading in LOG:
        heard.apply(watch.feed(replace(reading, at_ms=reading.at_ms + by_ms)))
    return [(c.key_ms, [(p.stage, p.start_ms) for p in c.phases]) for c in heard.by_key.values()]


@pytest.fixture
def desk(tmp_path):
    with closing(Desk(tmp_path)) as made:
        yield made


class PowerCut(BaseException):
    pass


@pytest.mark.parametrize("by_ms", [94_608_000_000, -120_000])
@pytest.mark.parametrize("where", ["shift", "append", "end_move", "done"])
def test_a_power_cut_while_the_clock_is_set_leaves_one_unbroken_cycle(desk, by_ms, where, monkeypatch):
    desk.hear(0, 700)
    desk.commit()
    desk.hear(700, 800)
    desk.commit(10.0)  # where the recogniser stands is older than this

    def dies(*_: object, **__: object) -> None:
        raise PowerCut

    if where != "done":
        monkeypatch.setattr(desk.ledger if where == "end_move" else desk.store, where, dies)
        with pytest.raises(PowerCut):
            desk.books.move(desk.watch, KEY, 801, Step(LOG[0].at_ms, by_ms))
        monkeypatch.undo()
    else:
        assert desk.books.move(desk.watch, KEY, 801, Step(LOG[0].at_ms, by_ms))
    with closing(desk.cut()) as again:
        if again.store.committed()[KEY] < 801:
            assert again.books.move(again.watch, KEY, 801, Step(LOG[0].at_ms, by_ms))
        again.hear(800, len(LOG), by_ms)
        again.commit(20.0)
        assert again.cycles() == in_peace(by_ms)
        assert len(again.store.series("m1", 0, FAR)) == len(LOG)
        assert again.ledger.moves() == []


def test_a_move_that_the_store_refuses_is_made_once_in_the_end(desk, monkeypatch):
    desk.hear(0, 800)
    desk.commit()

    def full(*_: object) -> int:
        raise StoreError("the card is full")

    monkeypatch.setattr(desk.store, "shift", full)
    for _ in range(3):
        assert not desk.books.move(desk.watch, KEY, 801, Step(LOG[0].at_ms, 5_000_000))
    monkeypatch.undo()
    assert desk.books.move(desk.watch, KEY, 801, Step(LOG[0].at_ms, 5_000_000))
    desk.hear(800, len(LOG), 5_000_000)
    desk.commit()
    assert desk.cycles() == in_peace(5_000_000)


def test_restarts_that_lose_where_the_recogniser_stood_change_nothing(tmp_path):
    desk = Desk(tmp_path)
    for first in range(0, len(LOG), 100):
        desk.hear(first, first + 100)
        desk.commit(0.0)  # no time passes: it is saved at the first commit of a start only
        desk = desk.cut()
    desk.commit(0.0)
    assert desk.cycles() == in_peace(0)
    desk.close()


def test_readings_alone_leave_the_ledger_unwritten(desk):
    desk.hear(0, 20)
    desk.commit()
    before = desk.ledger.db.total_changes
    for i in range(20, 60, 4):
        desk.hear(i, i + 4)
        assert not desk.books._said
        desk.commit(float(i))
    assert desk.ledger.db.total_changes == before
    desk.hear(60, 64)
    desk.commit(2000.0)  # now and then where the recogniser stands is written
    assert desk.ledger.db.total_changes > before
