"""The broker's files as the install script lays them: who may speak and who may look, at a real mosquitto."""

from __future__ import annotations

import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from tests.ports import free_port

ROOT = Path(__file__).resolve().parents[2]
USERS = {"loadbook": "tide-1", "loadbook-reader": "tide-2"}

pytestmark = pytest.mark.broker


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    folder = tmp_path_factory.mktemp("broker")
    free = free_port()
    passwords = folder / "passwd"
    passwords.write_text("".join(f"{name}:{password}\n" for name, password in USERS.items()))
    subprocess.run(["mosquitto_passwd", "-U", passwords], check=True)
    conf = (ROOT / "systemd" / "mosquitto" / "loadbook.conf").read_text()
    conf = conf.replace("listener 1883", f"listener {free}").replace("/etc/mosquitto/loadbook.passwd", str(passwords))
    conf = conf.replace("/etc/mosquitto/loadbook.acl", str(ROOT / "systemd" / "mosquitto" / "loadbook.acl"))
    (folder / "mosquitto.conf").write_text("user root\n" + conf)
    process = subprocess.Popen(["mosquitto", "-c", folder / "mosquitto.conf"], stderr=subprocess.DEVNULL)
    try:
        wait_for(lambda: reachable(free))
        yield free
    finally:
        process.terminate()
        process.wait(10)


def reachable(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def wait_for(condition: object, seconds: float = 20.0) -> None:
    end = time.monotonic() + seconds
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < end, "nothing came"
        time.sleep(0.02)


class Client:
    """A client that remembers whether it was let in and what it heard."""

    def __init__(self, port: int, user: str | None) -> None:
        self.code: int | None = None
        self.heard: list[str] = []
        self.ready = False
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        if user:
            self.client.username_pw_set(user, USERS[user])
        self.client.on_connect = self._connected
        self.client.on_subscribe = lambda *_: setattr(self, "ready", True)
        self.client.on_message = lambda _client, _data, message: self.heard.append(message.topic)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _connected(self, client: mqtt.Client, _data: object, _flags: object, code: object, _more: object) -> None:
        self.code = code.value  # type: ignore[attr-defined]
        client.subscribe("#", qos=1)

    def __enter__(self) -> Client:
        wait_for(lambda: self.code is not None)
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def test_nobody_without_a_name(port: int) -> None:
    with Client(port, None) as stranger:
        assert stranger.code not in (0, None)


def test_services_speak_and_readers_only_look(port: int) -> None:
    with Client(port, "loadbook") as service, Client(port, "loadbook-reader") as reader:
        assert service.code == reader.code == 0
        wait_for(lambda: service.ready and reader.ready)
        reader.client.publish("loadbook/quay/quay-washer-1/readings", b"made up", qos=1).wait_for_publish(10)
        service.client.publish("elsewhere", b"x", qos=1).wait_for_publish(10)
        service.client.publish("loadbook/quay/quay-washer-1/latest", b"x", qos=1).wait_for_publish(10)
        wait_for(lambda: reader.heard and service.heard)
        assert reader.heard == service.heard == ["loadbook/quay/quay-washer-1/latest"]
