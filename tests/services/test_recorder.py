"""The recorder with a real broker: what it does when the store refuses, and when it comes back."""

from __future__ import annotations

import json
import time
from contextlib import closing
from pathlib import Path

import pytest
from loadbook.clock import Clock
from loadbook.files import find_log
from loadbook.logs import read_log
from loadbook.reading import Reading
from loadbook.services.recorder import Recorder
from loadbook.services.watch import Watch
from loadbook.settings import Broker
from loadbook.store.connect import LEDGER_FILE, READINGS_FILE, read_only
from loadbook.store.sqlite_readings import SqliteReader, StoreError
from loadbook.transport.client import Client
from loadbook.transport.delivery import Delivery
from loadbook.transport.embedded import EmbeddedBroker
from loadbook.transport.outbox import Outbox
from loadbook.transport.topics import Topics

from tests.chain.site import settings_of, until, write_site

TOPICS = Topics("quay-street")
PLATE = '[machine]\nid = "quay-washer-1"\nname = "Washer 1"\nkind = "washing_machine"\nstandby_w = 1.2\n'
LOG = list(read_log(find_log(Path("washer-healthy"))).series.slice(0, 1200).readings())


class Scene:
    """Broker, recorder and a poller's outbox in this process."""

    def __init__(self, folder: Path) -> None:
        (folder / "washer.toml").write_text(PLATE)
        self.folder = folder
        path = write_site(folder, {"m1": ("quay-washer-1", 1)}, machines='["washer.toml"]')
        self.settings = settings_of(path)
        self.broker = EmbeddedBroker(self.settings.broker.port)
        self.broker.start()
        self.recorder = self.begin()
        self.heard: list[tuple[str, dict]] = []
        self.outbox = Outbox(folder / "box", boot="b", clock_is_set=lambda: True, most_bytes=10**8)
        self.client = Client(Broker(port=self.settings.broker.port), "poller", on_up=self.up)
        self.delivery = Delivery(self.outbox, self.client, TOPICS, resend_after_s=120.0)
        for topic in (TOPICS.phase(), TOPICS.alert(), TOPICS.cycle(), TOPICS.state("recorder")):
            self.client.subscribe(topic, lambda t, p: self.heard.append((t.split("/")[-1], json.loads(p))))
        self.client.start()
        self.delivery.start()

    def up(self) -> None:
        self.delivery.on_up()

    def begin(self) -> Recorder:
        recorder = Recorder(self.settings, self.folder, Clock())
        recorder.startup()
        return recorder

    def put(self, first: int, last: int) -> None:
        for i in range(first, last):
            self.outbox.put("m1", LOG[i], 1000 * i)

    def stored(self) -> int:
        with closing(SqliteReader.open(self.folder / "data")) as reader:
            return len(reader.series("m1", 0, 1 << 53))

    def close(self) -> None:
        self.delivery.stop()
        self.client.stop()
        self.outbox.close()
        self.recorder.shutdown()
        self.broker.stop()


@pytest.fixture
def scene(tmp_path):
    made = Scene(tmp_path)
    yield made
    made.close()


def test_alerts_and_phases_go_out_also_while_the_store_refuses(scene, monkeypatch):
    scene.put(0, 300)  # the cycle begins
    until(lambda: scene.stored() == 300)
    until(lambda: any(kind == "phase" and said["state"] == "running" for kind, said in scene.heard))
    scene.heard.clear()

    def refuse(*_):
        raise StoreError("the card is full")

    monkeypatch.setattr(scene.recorder.books.store, "append", refuse)
    scene.put(300, 1100)  # and goes on through its next phases
    until(lambda: any(kind == "phase" and said["state"] == "running" for kind, said in scene.heard))
    until(lambda: any(kind == "state" and said["trouble"] == "the card is full" for kind, said in scene.heard))
    assert scene.stored() == 300
    assert scene.outbox.standing()["waiting"] >= 800
    monkeypatch.undo()
    until(lambda: scene.stored() == 1100)
    until(lambda: scene.outbox.standing()["waiting"] == 0)
    until(lambda: [said["trouble"] for kind, said in scene.heard if kind == "state"][-1] is None)


def test_a_recorder_that_begins_anew_gets_all_it_lacks_without_waiting(scene, monkeypatch):
    scene.put(0, 100)
    until(lambda: scene.stored() == 100)
    scene.recorder.books.commit = lambda *_: None  # as if killed before it could write
    scene.put(100, 300)
    until(lambda: len(scene.recorder.books.rows) == 200)
    scene.recorder.shutdown()
    scene.recorder = scene.begin()
    until(lambda: scene.stored() == 300, 30)  # long before delivery would have tried again by itself
    until(lambda: scene.outbox.standing()["waiting"] == 0)


def test_a_changed_machine_file_hears_the_open_cycle_again(scene):
    scene.put(0, 700)
    until(lambda: scene.stored() == 700)
    scene.recorder.shutdown()

    def cycles() -> list[tuple]:
        with closing(read_only(scene.folder / "data" / LEDGER_FILE)) as db:
            return [tuple(r) for r in db.execute("SELECT key_ms, start_ms, outcome FROM cycle")]

    before = cycles()
    assert len(before) == 1
    (scene.folder / "washer.toml").write_text(PLATE.replace("standby_w = 1.2", "standby_w = 1.4"))
    scene.recorder = scene.begin()
    scene.put(700, 800)
    until(lambda: scene.stored() == 800)
    assert cycles() == before


def test_rubbish_on_its_topics_is_passed_over(scene):
    for payload in (b"", b"{}", b"[]", b"\xff\xfe", b'[{"bn":"loadbook/quay-street/m1/","n":"power","v":1}]'):
        scene.client.publish(TOPICS.readings("m1"), payload)
        scene.client.publish(TOPICS.request, payload)
    scene.put(0, 50)
    until(lambda: scene.stored() == 50)
    assert scene.recorder.healthy()
    assert isinstance(LOG[0], Reading)


def strange(first: int, entries: list[str], session: str = "other") -> bytes:
    """A pack of somebody else's making: the entries' own records as JSON text, at LOG's times."""
    rows = [f'{{"bn":"loadbook/quay-street/m1/","bt":{T0_S},"n":"session","vs":"{session}"}}', '{"n":"oldest","v":1}']
    for i, text in enumerate(entries):
        number = first + i
        rows.append(f'{{"n":"sequence","v":{number},"t":{number}}}')
        rows.append(f'{{"t":{number},{text}}}')
    return f"[{','.join(rows)}]".encode()


T0_S = LOG[0].at_ms // 1000
GOOD = '"n":"power","u":"W","v":5'


def committed(scene: Scene) -> dict[str, int]:
    """What is committed, by session, on a connection of its own: the recorder's shows what it has yet to commit."""
    with closing(read_only(scene.folder / "data" / READINGS_FILE)) as db:
        return {session: number for session, number in db.execute("SELECT session, sequence FROM committed")}


def committed_of(scene: Scene, session: str) -> int:
    return committed(scene).get(session, 0)


@pytest.mark.parametrize(
    "bad",
    [
        '"n":"power","u":"kW","v":2',
        '"n":"power","u":"W","v":1e30',
        '"n":"power","u":"W","v":NaN',
        '"n":"power","u":"W","v":"two"',
        '"n":"power","u":"W"',
        '"n":"power","u":"W","v":1,"must_":1',
    ],
)
def test_an_entry_nobody_can_read_is_set_aside_and_its_neighbours_are_stored(scene, bad, caplog):
    payload = strange(1, [GOOD, bad, GOOD])
    scene.client.publish(TOPICS.readings("m1"), payload)
    scene.client.publish(TOPICS.readings("m1"), strange(4, [GOOD]))
    until(lambda: committed_of(scene, "other") == 4)
    assert scene.stored() == 3
    kept = [json.loads(line) for line in (scene.folder / "data" / "set-aside" / "latest.jsonl").open()]
    assert [row["message"].encode() for row in kept] == [payload]
    standing = scene.recorder._reception.standing()["set_aside"]["m1"]
    assert (standing["messages"], standing["entries"]) == (1, 1)
    assert "meter m1: a message cannot be read and is set aside" in caplog.text
    until(lambda: any(k == "state" and said.get("set_aside", {}).get("m1") for k, said in scene.heard), 40)


def test_a_message_nobody_can_read_is_passed_over_only_when_it_can_never_come_otherwise(scene, monkeypatch):
    monkeypatch.setattr("loadbook.services.intake.HOLE_WAIT_S", 2.0)
    monkeypatch.setattr("loadbook.services.recorder.TELL_AGAIN_S", 0.1)
    asked: list[int] = []

    def hear(_: str, payload: bytes) -> None:
        asked.append(json.loads(payload).get("wanted", {}).get("m1"))

    def sent_again() -> bool:  # by a poller that knows no better
        for pack in (b"[broken", strange(5, [GOOD, GOOD])):
            scene.client.publish(TOPICS.readings("m1"), pack)
        time.sleep(0.2)
        return committed_of(scene, "other") == 6

    scene.client.subscribe(TOPICS.committed, hear)
    scene.client.publish(TOPICS.readings("m1"), strange(1, [GOOD, GOOD]))
    until(sent_again)
    assert asked.count(3) >= 3
    assert scene.stored() == 4
    assert scene.recorder._reception.standing()["passed_over"] == 2


def test_a_recogniser_that_fails_costs_no_reading_and_begins_anew(scene, monkeypatch, caplog):
    feed = Watch.feed

    def fails_once(watch: Watch, reading: Reading) -> list:
        if reading.at_ms == LOG[330].at_ms and not scene.recorder._reception.failures:
            raise ZeroDivisionError
        return feed(watch, reading)

    monkeypatch.setattr(Watch, "feed", fails_once)
    scene.put(0, 700)
    until(lambda: scene.stored() == 700)
    assert scene.recorder._reception.failures == 1
    assert "begins anew; readings are kept" in caplog.text
    until(lambda: scene.outbox.standing()["waiting"] == 0)
    with closing(read_only(scene.folder / "data" / LEDGER_FILE)) as db:  # the cycle begun before is taken back
        assert all(row["key_ms"] > LOG[330].at_ms for row in db.execute("SELECT key_ms FROM cycle"))


def test_runs_of_a_poller_that_it_no_longer_holds_are_forgotten(scene):
    for i in range(8):
        box = Outbox(scene.folder / "box", boot="b", clock_is_set=lambda: True, most_bytes=10**8)
        scene.outbox.close()
        scene.outbox = scene.delivery._outbox = box
        scene.put(10 * i, 10 * i + 10)
        until(lambda n=i: scene.stored() == 10 * n + 10)
        until(lambda: scene.outbox.standing()["waiting"] == 0)
    sessions = list(committed(scene))
    assert box.session in sessions
    assert len(sessions) <= 4
    scene.recorder.do(scene.recorder._reception.tidy)
    until(lambda: len(scene.recorder._reception.intake.taken) == len(sessions))
