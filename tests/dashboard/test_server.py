"""The real dashboard with a broker behind it: what arrives over MQTT reaches a watching browser, requests are answered,
and what cannot be started says so in one line."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from loadbook.errors import StartError
from loadbook.reading import Reading
from loadbook.settings import Broker, parse_settings
from loadbook.transport.client import Client
from loadbook.transport.embedded import EmbeddedBroker
from loadbook.transport.packs import Entry, Pack, Step, encode
from loadbook.transport.topics import Topics
from loadbook_dashboard.gate import is_loopback
from loadbook_dashboard.requests import MqttAsker, RefusedError
from loadbook_dashboard.server import Running, start
from loadbook_dashboard.stream import QUEUE_LIMIT, Hub, TooManyError
from seeded import seed

from tests.ports import free_port

TOPICS = Topics("quay-street")


def until(true: Callable[[], bool], within_s: float = 30.0) -> None:
    end = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.02)


def settings_text(broker: int, port: int, address: str = "127.0.0.1") -> str:
    return f"""
[site]
name = "quay-street"
[broker]
port = {broker}
[store]
folder = "store"
[dashboard]
address = "{address}"
port = {port}
event_streams = 2
"""


@pytest.fixture(scope="module")
def broker() -> Iterator[int]:
    port = free_port()
    made = EmbeddedBroker(port)
    made.start()
    yield port
    made.stop()


@pytest.fixture
def running(broker: int, tmp_path: Path) -> Iterator[Running]:
    seed(tmp_path / "store")
    made = start(parse_settings(settings_text(broker, free_port()), "test"), tmp_path)
    until(lambda: made.parts.hub.linked)
    yield made
    made.stop()


class Watching:
    """A browser's ear: gathers the events of the stream."""

    def __init__(self, url: str) -> None:
        self.events: list[tuple[str, dict]] = []
        self.answer = urllib.request.urlopen(f"{url}events", timeout=60)
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        with contextlib.suppress(AttributeError, ValueError, OSError):  # closed while it read
            self._lines()

    def _lines(self) -> None:
        name = ""
        for line in self.answer:
            text = line.decode().rstrip("\n")
            if text.startswith("event: "):
                name = text[7:]
            elif text.startswith("data: "):
                self.events.append((name, json.loads(text[6:])))

    def heard(self, name: str, **what: object) -> bool:
        return any(n == name and what.items() <= d.items() for n, d in list(self.events))


@pytest.fixture
def world(broker: int) -> Iterator[Client]:
    client = Client(Broker(port=broker), "world")
    client.start()
    yield client
    client.stop()


def until_subscribed(browser: Watching, world: Client) -> None:
    """The subscriptions are sent when the link is up, and need a moment to be there."""

    def comes() -> bool:
        world.publish(TOPICS.phase("pier-washer-4"), "{}")
        return browser.heard("machine", machine="pier-washer-4")

    until(comes)


def test_what_arrives_over_mqtt_reaches_the_browser(running: Running, world: Client) -> None:
    browser = Watching(running.url)
    until(lambda: browser.heard("hello", boot=running.parts.boot) and browser.heard("link", linked=True))
    until_subscribed(browser, world)
    at_ms = 1_795_612_800_000
    pack = Pack("m1", "s1", 1, (Entry(1, at_ms, Reading(at_ms, power_w=1234.5)), Entry(2, at_ms + 1000, "no_answer")))
    world.publish(TOPICS.readings("m1"), encode("quay-street", pack))
    until(lambda: browser.heard("reading", meter="m1", at_ms=at_ms, power_w=1234.5))
    world.publish(TOPICS.phase("quay-washer-1"), "{}")
    until(lambda: browser.heard("machine", machine="quay-washer-1", what="phase"))
    world.publish(TOPICS.alert("harbour-dish-2"), "{}")
    until(lambda: browser.heard("machine", machine="harbour-dish-2", what="alert"))
    world.publish(TOPICS.state("board-1"), json.dumps({"online": True, "meters": {"m1": {"read": 7}}}))
    until(lambda: browser.heard("meters", poller="board-1"))
    world.publish(TOPICS.state("recorder"), json.dumps({"online": True, "trouble": "the card has 12 MB left"}))
    until(lambda: browser.heard("link", trouble="the card has 12 MB left"))
    assert list(running.parts.hub.pollers()) == ["board-1"]
    assert running.parts.hub.pollers()["board-1"]["meters"]["m1"]["read"] == 7
    browser.answer.close()


def test_rubbish_on_the_air_does_not_stop_the_ear(running: Running, world: Client) -> None:
    browser = Watching(running.url)
    until(lambda: browser.heard("hello"))
    until_subscribed(browser, world)
    for topic in (TOPICS.readings("m1"), TOPICS.state("x"), TOPICS.answer):
        world.publish(topic, b"\xff\x00 not json")
        world.publish(topic, b"[1, 2]")
    world.publish(TOPICS.phase("quay-washer-1"), "{}")
    until(lambda: browser.heard("machine", machine="quay-washer-1"))
    browser.answer.close()


def test_requests_are_answered_over_mqtt(running: Running, world: Client) -> None:
    def recorder(topic: str, payload: bytes) -> None:
        request = json.loads(payload)
        ok = request["key"] == "known"
        answer = {"id": request["id"], "ok": ok, **({} if ok else {"error": "no such alert"})}
        world.publish(TOPICS.answer, json.dumps(answer))

    world.subscribe(TOPICS.request, recorder)
    asked: list[object] = []

    def ask() -> bool:  # the subscription needs a moment to be there
        try:
            asked.append(running.parts.asker.ask("alert_seen", machine="quay-washer-1", key="known", by="Mira"))
        except RefusedError:
            return False
        return True

    until(ask)
    assert asked
    with pytest.raises(RefusedError, match="no such alert"):
        running.parts.asker.ask("alert_seen", machine="quay-washer-1", key="other", by="Mira")


def test_an_unanswered_request_is_not_called_done() -> None:
    with pytest.raises(RefusedError, match="did not answer"):
        MqttAsker(lambda request: True, within_s=0.05).ask("alert_seen")
    with pytest.raises(RefusedError, match="broker cannot be reached"):
        MqttAsker(lambda request: False).ask("alert_seen")


def test_no_more_browsers_watch_than_the_settings_allow(running: Running) -> None:
    two = [Watching(running.url), Watching(running.url)]
    until(lambda: running.parts.hub.watching() == 2)
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(f"{running.url}events", timeout=10)
    assert refused.value.code == 503
    with urllib.request.urlopen(running.url, timeout=10) as page:  # pages still come
        assert page.status == 200
    for browser in two:
        browser.answer.close()
    until(lambda: running.parts.hub.watching() == 0)


def test_a_slow_browser_loses_the_oldest_and_is_told_to_read_afresh() -> None:
    hub = Hub(1)
    watcher = hub.watch()
    with pytest.raises(TooManyError):
        hub.watch()
    for n in range(QUEUE_LIMIT + 50):
        hub.say("reading", {"n": n})
    flow = watcher.events(dict)
    first = [next(flow) for _ in range(2)]
    assert first[0].startswith("event: afresh")
    assert '"n":50' in first[1]
    hub.close()
    rest = list(flow)
    assert len(rest) == QUEUE_LIMIT - 1


def test_a_reading_delivered_again_is_told_once() -> None:
    hub = Hub(1)
    watcher = hub.watch()
    for at_ms in (1000, 2000, 2000, 1000, 3000):
        hub.reading("m1", Reading(at_ms, power_w=1.0))
    hub.close()
    assert [r.at_ms for r in hub.recent("m1").readings()] == [1000, 2000, 3000]
    assert watcher is not None


def test_what_makes_up_for_an_outage_is_kept_and_told_briefly(running: Running, world: Client) -> None:
    browser = Watching(running.url)
    until(lambda: browser.heard("hello"))
    first_ms = 1_795_612_800_000
    late = tuple(Entry(n, first_ms + n * 1000, Reading(first_ms + n * 1000, power_w=float(n))) for n in range(1, 61))
    world.publish(TOPICS.readings("m1"), encode("quay-street", Pack("m1", "s1", 1, late)))
    until(lambda: browser.heard("reading", power_w=60.0))
    assert len(running.parts.hub.recent("m1")) == 60
    assert sum(name == "reading" for name, _ in browser.events) == 3
    browser.answer.close()


def test_when_the_clock_is_set_back_the_live_figures_go_on(running: Running, world: Client) -> None:
    browser = Watching(running.url)
    until(lambda: browser.heard("hello"))
    at_ms, by_ms = 1_795_612_800_000, -3_600_000
    step = Pack(
        "m1",
        "s1",
        1,
        (
            Entry(1, at_ms, Reading(at_ms, power_w=1.0)),
            Entry(2, at_ms + 1000 + by_ms, Step(at_ms, by_ms)),
            Entry(3, at_ms + 1000 + by_ms, Reading(at_ms + 1000 + by_ms, power_w=2.0)),
        ),
    )
    world.publish(TOPICS.readings("m1"), encode("quay-street", step))
    until(lambda: browser.heard("reading", power_w=2.0) and browser.heard("afresh"))
    assert running.parts.hub.recent("m1").at_ms.tolist() == [at_ms + by_ms, at_ms + 1000 + by_ms]
    browser.answer.close()


def test_a_port_in_use_is_said_in_one_line_and_nothing_is_left(broker: int, tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        before = threading.active_count()
        with pytest.raises(StartError, match=f"cannot listen on 127.0.0.1:{port}: address already in use"):
            start(parse_settings(settings_text(broker, port), "test"), tmp_path)
        until(lambda: threading.active_count() <= before)


@pytest.mark.parametrize(
    ("address", "alone"),
    [("127.0.0.1", True), ("::1", True), ("localhost", True), ("0.0.0.0", False), ("192.168.3.7", False), ("x", False)],
)
def test_loopback_is_told_from_the_network(address: str, alone: bool) -> None:
    assert is_loopback(address) is alone


def test_serve_on_the_network_says_so_and_shows_nothing_until_somebody_is_known(broker: int, tmp_path: Path) -> None:
    seed(tmp_path / "store")
    port = free_port()
    config = tmp_path / "loadbook.toml"
    config.write_text(settings_text(broker, port, "0.0.0.0"), encoding="utf-8")
    child = subprocess.Popen(
        [sys.executable, "-m", "loadbook", "serve", "--config", str(config)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    try:
        assert child.stdout
        assert child.stdout.readline() == f"Dashboard: http://127.0.0.1:{port}/\n"
        said = child.stdout.readline()
        assert "listens on 0.0.0.0" in said
        assert "Nobody is known yet" in said
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=20) as page:
            text = page.read()
        assert b"Nobody is known here yet" in text
        assert b"Washer 1, quay side" not in text
    finally:
        child.terminate()
        assert child.wait(20) == 0


def test_serve_refuses_an_unknown_zone_in_one_line(tmp_path: Path) -> None:
    config = tmp_path / "loadbook.toml"
    config.write_text('[site]\ntime_zone = "Atlantis/Harbour"\n', encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "loadbook", "serve", "--config", str(config)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "nobody knows the zone" in done.stderr
    assert done.stderr.count("\n") == 1
