"""Outbox to recorder's door over real brokers: the embedded one and Debian's mosquitto, also when they forget."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from loadbook.errors import StartError
from loadbook.reading import Reading
from loadbook.settings import Broker
from loadbook.transport.client import Client
from loadbook.transport.delivery import Delivery
from loadbook.transport.embedded import EmbeddedBroker
from loadbook.transport.outbox import Outbox
from loadbook.transport.packs import decode, decode_latest
from loadbook.transport.topics import Topics, subject_of

from tests.ports import free_port

T0 = 1_790_000_000_000
TOPICS = Topics("quay-street")


def until(true: Callable[[], bool], within_s: float = 30.0) -> None:
    end = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.02)


class Embedded:
    def __init__(self, port: int) -> None:
        self.port = port

    def start(self) -> None:
        self.broker = EmbeddedBroker(self.port)
        self.broker.start()

    def stop(self) -> None:
        self.broker.stop()


class Mosquitto:
    def __init__(self, port: int) -> None:
        self.port = port

    def start(self) -> None:
        exe = shutil.which("mosquitto")
        assert exe
        self.child = subprocess.Popen([exe, "-p", str(self.port)], stderr=subprocess.DEVNULL)
        until(self._listens)

    def _listens(self) -> bool:
        with socket.socket() as s:
            return s.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self) -> None:
        self.child.kill()
        self.child.wait()


@pytest.fixture(params=["embedded", pytest.param("mosquitto", marks=pytest.mark.broker)])
def broker(request):
    made = {"embedded": Embedded, "mosquitto": Mosquitto}[request.param](free_port())
    made.start()
    yield made
    made.stop()


class Door:
    """A recorder's door that keeps what comes and says so; it can be made to keep silent."""

    def __init__(self, port: int) -> None:
        self.got: list[float] = []
        self.last: dict[tuple[str, str], int] = {}
        self.silent = False
        self.latest: list[float] = []
        self.client = Client(Broker(port=port), "door")
        self.client.subscribe(TOPICS.readings(), self.on_pack)
        self.client.subscribe(TOPICS.latest(), self.on_latest)

    def on_latest(self, _topic: str, payload: bytes) -> None:
        self.latest.append(decode_latest("quay-street", payload)[1].power_w or 0.0)

    def on_pack(self, topic: str, payload: bytes) -> None:
        if self.silent:
            return
        pack = decode("quay-street", payload)
        assert subject_of(topic) == pack.meter
        key = (pack.session, pack.meter)
        last = max(self.last.get(key, 0), pack.oldest - 1)
        answer = {"session": pack.session, "committed": {pack.meter: last}}
        if pack.entries[0].sequence > last + 1:
            answer["wanted"] = {pack.meter: last + 1}
        for entry in pack.entries:
            if entry.sequence == last + 1:
                assert isinstance(entry.what, Reading)
                self.got.append(entry.what.power_w or 0.0)
                last = entry.sequence
        self.last[key] = last
        answer["committed"] = {pack.meter: last}
        self.client.publish(TOPICS.committed, json.dumps(answer))


def sender(folder: Path, port: int, resend_after_s: float = 2.0) -> tuple[Outbox, Client, Delivery]:
    box = Outbox(folder, boot="b", clock_is_set=lambda: True, most_bytes=10**8)
    client = Client(Broker(port=port), "sender", on_up=lambda: delivery.on_up())  # noqa: PLW0108 (made below)
    delivery = Delivery(box, client, TOPICS, resend_after_s=resend_after_s)
    client.start(patient=True)
    delivery.start()
    return box, client, delivery


def fill(box: Outbox, n: int, first: int = 0) -> None:
    for i in range(first, first + n):
        box.put("m1", Reading(T0 + 1000 * i, power_w=float(i)), 1000 * i)


def test_all_of_it_arrives_in_order_over_a_broker_that_forgets(broker, tmp_path):
    door = Door(broker.port)
    door.client.start()
    box, client, delivery = sender(tmp_path, broker.port)
    fill(box, 300)
    until(lambda: len(door.got) == 300)
    broker.stop()
    fill(box, 900, first=300)
    broker.start()
    until(lambda: len(door.got) == 1200, 60.0)
    assert door.got == [float(i) for i in range(1200)]
    until(lambda: box.standing()["waiting"] == 0)
    assert 1199.0 in door.latest
    delivery.stop()
    client.stop()
    box.close()
    door.client.stop()


def test_what_nobody_reports_as_committed_is_sent_again(broker, tmp_path):
    door = Door(broker.port)
    door.client.start()
    door.silent = True
    box, client, delivery = sender(tmp_path, broker.port, resend_after_s=0.5)
    fill(box, 200)
    until(lambda: box.on_their_way("m1") > 0)
    door.silent = False
    until(lambda: len(door.got) == 200, 60.0)
    assert door.got == [float(i) for i in range(200)]
    delivery.stop()
    client.stop()
    box.close()
    door.client.stop()


def test_a_handler_that_fails_does_not_end_the_client(broker):
    got = threading.Event()

    def bad(_topic: str, _payload: bytes) -> None:
        raise RuntimeError("a fault of ours")

    client = Client(Broker(port=broker.port), "c")
    client.subscribe("loadbook/x/a/phase", bad)
    client.subscribe("loadbook/x/b/phase", lambda _t, _p: got.set())
    client.start()
    client.publish("loadbook/x/a/phase", "{}")
    client.publish("loadbook/x/b/phase", "{}")
    assert got.wait(20)
    client.stop()


@pytest.mark.broker
def test_the_last_will_says_that_a_poller_has_gone(tmp_path):
    broker = Mosquitto(free_port())
    broker.start()
    seen: list[bytes] = []
    watcher = Client(Broker(port=broker.port), "w")
    watcher.subscribe(TOPICS.state(), lambda _t, p: seen.append(p))
    watcher.start()
    client = Client(Broker(port=broker.port), "c", will=(TOPICS.state("p"), b"gone"))
    client.start()
    sock = client._paho.socket()
    assert sock is not None
    client._paho.loop_stop()
    sock.close()  # without a farewell
    until(lambda: b"gone" in seen)
    watcher.stop()
    broker.stop()


def test_a_broker_that_is_not_there_is_one_line_or_waited_for():
    port = free_port()
    with pytest.raises(StartError, match="is it running") as bad:
        Client(Broker(host="127.0.0.1", port=port), "c").start(3.0)
    assert "\n" not in str(bad.value)
    patient = Client(Broker(host="127.0.0.1", port=port), "c")
    patient.start(3.0, patient=True)
    assert not patient.connected
    assert not patient.publish("a", "b")
    broker = EmbeddedBroker(port)
    broker.start()
    assert patient.wait_connected(30)
    patient.stop()
    broker.stop()


@pytest.mark.broker
def test_a_broker_that_refuses_is_one_line_even_for_a_patient_client(tmp_path):
    port = free_port()
    (tmp_path / "m.conf").write_text(f"listener {port} 127.0.0.1\nallow_anonymous false\n")
    exe = shutil.which("mosquitto")
    assert exe
    child = subprocess.Popen([exe, "-c", str(tmp_path / "m.conf")], stderr=subprocess.DEVNULL)
    try:
        until(lambda: socket.socket().connect_ex(("127.0.0.1", port)) == 0)
        for patient in (False, True):
            with pytest.raises(StartError, match=r"refuses: not authori[sz]ed") as bad:
                Client(Broker(host="127.0.0.1", port=port), "c").start(10.0, patient=patient)
            assert "\n" not in str(bad.value)
    finally:
        child.kill()
        child.wait()


def test_a_port_that_is_taken_is_one_line():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        s.listen()
        with pytest.raises(StartError, match="in use") as bad:
            EmbeddedBroker(s.getsockname()[1]).start()
    assert "\n" not in str(bad.value)
