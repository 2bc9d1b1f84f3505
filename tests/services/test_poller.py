"""The poller as a part: from settings to readings, its state, its errors at start."""

from __future__ import annotations

import os
import pty
import threading
from pathlib import Path
from typing import Any

import pytest
import serial
from loadbook.clock import Clock
from loadbook.errors import InputError, LoadbookError, StartError
from loadbook.files import load_map
from loadbook.meters.simulated import SimulatedLine, SimulatedMeter
from loadbook.services.life import live
from loadbook.services.poller import Poller
from loadbook.settings import Settings

from tests.meters.conftest import Memory, player, wait_for

MAP = "float32-big-endian"


class Delivered(Memory):
    """A delivery that keeps everything."""

    def __init__(self) -> None:
        super().__init__()
        self.states: list[dict[str, Any]] = []
        self.calls: list[str] = []

    @property
    def sink(self) -> Memory:
        return self

    def start(self) -> None:
        self.calls.append("start")

    def publish_state(self, state: dict[str, Any]) -> None:
        self.states.append(state)

    def stop(self) -> None:
        self.calls.append("stop")


def settings(*lines: dict[str, Any]) -> Settings:
    return Settings.model_validate({"poller": {"interval_s": 0.1}, "line": list(lines)})


def rtu(line_id: str, port: object, *meters: str, **more: object) -> dict[str, Any]:
    return {
        "id": line_id,
        "kind": "modbus_rtu",
        "port": str(port),
        "baud_bd": 115200,
        "meter": [{"id": m, "map": MAP, "unit_id": n} for n, m in enumerate(meters, start=1)],
        **more,
    }


def test_two_lines_are_read_side_by_side(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    clock, maps = Clock(), load_map(MAP, Path())
    serial = SimulatedLine([SimulatedMeter(n, maps, player(clock)) for n in (1, 2)], clock, link=tmp_path / "p").start()
    network = SimulatedLine([SimulatedMeter(1, maps, player(clock))], clock).start()
    host, tcp_port = network.address
    both = settings(
        rtu("bench", serial.port, "one", "two"),
        {
            "id": "net",
            "kind": "modbus_tcp",
            "host": host,
            "tcp_port": tcp_port,
            "meter": [{"id": "three", "map": MAP}],
        },
    )
    delivered, stop = Delivered(), threading.Event()
    poller = Poller(both, tmp_path, clock, lambda: delivered)
    thread = threading.Thread(target=live, args=([poller], stop))
    thread.start()
    try:
        wait_for(lambda: all(len(delivered.of(m)) >= 3 for m in ("one", "two", "three")))
        wait_for(lambda: delivered.states)
        assert poller.healthy()
        network.stop()
        wait_for(lambda: delivered.states[-1]["meters"]["three"]["state"] == "gap")
        wait_for(lambda: "meter three: no reading" in caplog.text)
    finally:
        stop.set()
        thread.join(20)
        serial.stop()
        network.stop()
    state = delivered.states[-1]["meters"]
    assert state["one"]["line"] == "bench"
    assert state["one"]["state"] == "reading"
    assert state["three"]["reason"] in {"port_gone", "no_answer"}
    assert delivered.calls == ["start", "stop"]
    assert caplog.text.count("meter three: no reading") == 1


def test_an_answer_that_is_on_the_wire_at_the_stop_becomes_a_reading(tmp_path: Path) -> None:
    clock = Clock()
    line = SimulatedLine([SimulatedMeter(1, load_map(MAP, Path()), player(clock))], clock).start()
    line.faults.order("late", times=None, delay_s=3.5)
    host, tcp_port = line.address
    meter = {"id": "one", "map": MAP}
    network = {"id": "net", "kind": "modbus_tcp", "host": host, "tcp_port": tcp_port, "timeout_s": 9, "meter": [meter]}
    delivered = Delivered()
    poller = Poller(settings(network), tmp_path, clock, lambda: delivered)
    poller.startup()
    wait_for(lambda: line.journal)
    poller.shutdown()
    line.stop()
    assert len(delivered.of("one")) == len(line.journal) == 1
    assert delivered.calls == ["start", "stop"]


@pytest.mark.parametrize(
    ("port", "map_name", "says"),
    [
        ("/dev/serial/by-id/not-there", MAP, "line[1].port: /dev/serial/by-id/not-there does not exist; plug"),
        ("/dev/null", MAP, "line[1].port: /dev/null is no serial port"),
        ("PTY", "nomap", "no such meter map"),
        ("PTY", "my.toml", "cannot read this meter map"),
    ],
)
def test_what_cannot_start_says_so_in_one_line(port: str, map_name: str, says: str, tmp_path: Path) -> None:
    ends = pty.openpty()
    line = rtu("bench", port.replace("PTY", os.ttyname(ends[1])), "one")
    line["meter"][0]["map"] = map_name
    delivered = Delivered()
    with pytest.raises(LoadbookError) as bad:
        live([Poller(settings(line), tmp_path, Clock(), lambda: delivered)])
    assert says in str(bad.value)
    assert "\n" not in str(bad.value)
    assert isinstance(bad.value, StartError | InputError)
    assert delivered.calls == []
    for end in ends:
        os.close(end)


def test_settings_without_a_line_and_with_one_port_twice_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no \[\[line\]\]"):
        live([Poller(settings(), tmp_path, Clock(), Delivered)])
    with pytest.raises(ValueError, match="'a' and 'b' have the same port /dev/x"):
        settings(rtu("a", "/dev/x", "one"), rtu("b", "/dev/x", "two"))


def test_a_port_in_use_is_named(tmp_path: Path) -> None:
    ends = pty.openpty()
    port = os.ttyname(ends[1])
    with serial.Serial(port, exclusive=True), pytest.raises(StartError, match="is in use by another program"):
        live([Poller(settings(rtu("bench", port, "one")), tmp_path, Clock(), Delivered)])
    for end in ends:
        os.close(end)
