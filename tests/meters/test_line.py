"""The poll loop on real wires: a pymodbus server behind a pseudo-terminal and over TCP."""

from __future__ import annotations

import os
import pty
import select
import socket
import threading
from pathlib import Path

import pytest
from loadbook.clock import Clock
from loadbook.files import load_map
from loadbook.meters.counters import CountingSink
from loadbook.meters.line import ModbusLine, PolledMeter
from loadbook.meters.loop import LineLoop
from loadbook.meters.modbus import ModbusWire
from loadbook.meters.simulated import SimulatedLine, SimulatedMeter
from loadbook.meters.sink import GAP_CHECKS, GAP_REASONS

from tests.meters.conftest import SHIPPED, Memory, player, polling, settings_line, small_log, wait_for

HERE = Path()


def simulated(maps: dict[int, str], link: Path | None, **more: object) -> SimulatedLine:
    clock = Clock()
    meters = [SimulatedMeter(unit, load_map(name, HERE), player(clock)) for unit, name in maps.items()]
    return SimulatedLine(meters, clock, link=link, **more).start()  # type: ignore[arg-type]


@pytest.mark.parametrize("name", SHIPPED)
@pytest.mark.parametrize("wire", ["rtu", "tcp"])
def test_every_shipped_map_reads_what_the_meter_played(name: str, wire: str, tmp_path: Path) -> None:
    line = simulated({1: name}, tmp_path / "port" if wire == "rtu" else None)
    loop, memory, _ = polling(line, {1: name})
    loop.start()
    try:
        wait_for(lambda: len(memory.readings) >= 5)
    finally:
        loop.stop()
        loop.join(10)
        line.stop()
    log = small_log()
    for reading in memory.of("m1"):
        row = round(reading.power_w - 100)
        assert 0 <= row < 60
        assert reading.voltage_v == pytest.approx(230.0)
        assert reading.energy_wh == pytest.approx(1000 + row)
        assert reading.current_a == pytest.approx(float(log.current_a[row]), abs=0.006)
    assert not memory.faults()


def test_three_meters_of_three_kinds_share_a_line(tmp_path: Path) -> None:
    maps = dict(enumerate(SHIPPED, start=1))
    line = simulated(maps, tmp_path / "port")
    loop, memory, _ = polling(line, maps, interval_s=0.1)
    loop.start()
    try:
        wait_for(lambda: all(len(memory.of(f"m{unit}")) >= 3 for unit in maps))
    finally:
        loop.stop()
        loop.join(10)
        line.stop()
    assert not memory.faults()


REASON = {
    "crc": "crc",
    "short": "short",
    "wrong_unit": "wrong_unit",
    "exception": "exception",
    "silence": "no_answer",
}


@pytest.mark.parametrize("kind", sorted(REASON))
def test_a_spoiled_answer_is_one_gap_with_its_reason(kind: str, tmp_path: Path) -> None:
    line = simulated({1: "float32-big-endian"}, tmp_path / "port")
    loop, memory, _ = polling(line, {1: "float32-big-endian"}, timeout_s=0.6)
    loop.start()
    try:
        wait_for(lambda: len(memory.readings) >= 2)
        before = len(memory.readings)
        line.faults.order(kind)
        wait_for(memory.faults)
        wait_for(lambda: len(memory.readings) >= before + 4)
    finally:
        loop.stop()
        loop.join(10)
        line.stop()
    assert memory.faults() == [("m1", REASON[kind])]


def test_noise_around_an_answer_does_not_hide_it(tmp_path: Path) -> None:
    line = simulated({1: "float32-big-endian"}, tmp_path / "port")
    line.faults.order("noise", times=None)
    loop, memory, _ = polling(line, {1: "float32-big-endian"})
    loop.start()
    try:
        wait_for(lambda: len(memory.readings) >= 5)
    finally:
        loop.stop()
        loop.join(10)
        line.stop()
    assert not memory.faults()


def test_an_adapter_that_echoes_is_understood(tmp_path: Path) -> None:
    line = simulated({1: "float32-big-endian"}, tmp_path / "port")
    assert line.line
    line.line.echo = True
    loop, memory, _ = polling(line, {1: "float32-big-endian"})
    loop.start()
    try:
        wait_for(lambda: len(memory.readings) >= 5)
    finally:
        loop.stop()
        loop.join(10)
        line.stop()
    assert not memory.faults()


@pytest.mark.parametrize("wire", ["rtu", "tcp"])
@pytest.mark.parametrize("delay_s", [0.15, 0.42])
def test_a_late_answer_never_passes_for_a_new_one(wire: str, delay_s: float, tmp_path: Path) -> None:
    """Every answer names its row; a reading taken from an old answer would carry a row older than the question."""
    rows = small_log(rows=6000, step_ms=20)
    clock = Clock()
    meter = SimulatedMeter(1, load_map("float32-big-endian", HERE), player(clock, rows))
    line = SimulatedLine([meter], clock, link=tmp_path / "port" if wire == "rtu" else None).start()
    loop, memory, _ = polling(line, {1: "float32-big-endian"}, interval_s=0.1, timeout_s=0.08)
    loop.start()
    try:
        wait_for(lambda: len(memory.readings) >= 2)
        line.faults.order("late", times=12, delay_s=delay_s)
        wait_for(lambda: len(memory.gaps) >= 4)
        line.faults.behave()
        before = len(memory.readings)
        wait_for(lambda: len(memory.readings) >= before + 8)
    finally:
        loop.stop()
        loop.join(10)
        line.stop()
    good = [a for a in line.journal if a.spoiled is None]
    for _, reading, mono_ms in memory.readings:
        row = round(reading.power_w - 100)
        assert any(a.row == row and a.mono_ms <= mono_ms for a in good), "a reading that no timely answer carried"


def test_a_dead_neighbour_costs_the_others_nothing(tmp_path: Path) -> None:
    maps = {1: "float32-big-endian", 2: "float32-big-endian", 3: "float32-big-endian"}
    line = simulated(maps, tmp_path / "port")
    line.faults.order("silence", unit_id=1, times=None)
    loop, memory, sink = polling(line, maps, interval_s=0.5, timeout_s=0.3)
    loop.start()
    try:
        wait_for(lambda: len(memory.of("m3")) >= 6)
    finally:
        loop.stop()
        loop.join(10)
        line.stop()
    assert {m for m, _ in memory.faults()} == {"m1"}
    assert len(memory.of("m2")) >= 5
    counts = sink.snapshot()
    assert counts["m1"]["state"] == "gap"
    assert counts["m1"]["gaps"]["no_answer"] >= 4
    assert counts["m3"]["read"] >= 6
    assert counts["m3"]["state"] == "reading"


@pytest.mark.parametrize("same_name", [True, False])
def test_an_adapter_pulled_out_and_put_back_reads_again(same_name: bool, tmp_path: Path) -> None:
    """Under the same device name or another one: the by-id path leads to it either way."""
    line = simulated({1: "float32-big-endian"}, tmp_path / "by-id-adapter")
    assert line.line
    loop, memory, _ = polling(line, {1: "float32-big-endian"})
    loop.start()
    try:
        wait_for(lambda: len(memory.readings) >= 2)
        line.line.unplug()
        wait_for(lambda: sum(reason == "port_gone" for _, reason, _ in memory.gaps) >= 3)
        spare = [] if same_name else pty.openpty()
        line.line.plug()
        before = len(memory.readings)
        wait_for(lambda: len(memory.readings) >= before + 3)
        for fd in spare:
            os.close(fd)
    finally:
        loop.stop()
        loop.join(10)
        line.stop()


def test_a_silence_in_the_log_is_silence_on_the_line(tmp_path: Path) -> None:
    log = small_log(rows=400)
    log.at_ms[1:] += 60_000
    clock = Clock(speed=40.0)
    meter = SimulatedMeter(1, load_map("float32-big-endian", HERE), player(clock, log))
    line = SimulatedLine([meter], clock, link=tmp_path / "port").start()
    loop, memory, _ = polling(line, {1: "float32-big-endian"}, interval_s=0.05, timeout_s=0.1)
    loop.start()
    try:
        wait_for(lambda: any(reason == "no_answer" for _, reason, _ in memory.gaps))
        wait_for(lambda: any(r.power_w >= 101.0 for r in memory.of("m1")))
    finally:
        loop.stop()
        loop.join(10)
        line.stop()


def test_every_reason_says_what_to_look_at_and_is_in_the_readme() -> None:
    assert set(GAP_REASONS) == set(GAP_CHECKS)
    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    for reason, words in GAP_REASONS.items():
        assert f"| `{reason}` | {words} | {GAP_CHECKS[reason]} |" in readme


def test_a_value_that_cannot_be_is_left_out_and_said() -> None:
    """A wrong word order makes 1e30 of a float: it must not reach the store, nor the broker."""
    memory = Memory()
    sink = CountingSink({"m1": "l1"}, memory)
    loop = LineLoop("l1", sink, Clock())
    loop.put("m1", {"power_w": 100.0, "power_factor": 98.0})
    loop.put("m1", {"power_w": 1e30, "voltage_v": 230.0})
    loop.put("m1", {"frequency_hz": -1e9})
    ((_, reading, _),) = memory.readings
    assert (reading.power_w, reading.power_factor) == (100.0, None)
    assert [reason for _, reason, _ in memory.gaps] == ["absurd", "absurd"]
    assert sink.snapshot()["m1"]["absurd"] == {"power_factor": 98.0, "power_w": 1e30, "frequency_hz": -1e9}


def test_a_serial_server_on_the_network_is_a_serial_line(tmp_path: Path) -> None:
    """Bytes passed through over TCP: RTU frames, and the line comes back when the connection does."""
    line = simulated({1: "float32-big-endian"}, tmp_path / "port")
    server = socket.create_server(("127.0.0.1", 0))
    stop = threading.Event()

    def serve(connection: socket.socket, until: int) -> None:
        fd = os.open(line.port, os.O_RDWR | os.O_NOCTTY)
        passed = 0
        with connection:
            while not stop.is_set() and passed < until:
                for end in select.select([connection, fd], [], [], 0.1)[0]:
                    if end is connection:
                        data = connection.recv(512)
                        os.write(fd, data)
                        passed += 1
                        if not data:
                            passed = until
                    else:
                        connection.sendall(os.read(fd, 512))
        os.close(fd)

    def accept() -> None:
        server.settimeout(0.2)
        until = 5  # the first connection breaks after a few questions
        while not stop.is_set():
            try:
                connection, _ = server.accept()
            except TimeoutError:
                continue
            serve(connection, until)
            until = 1_000_000

    thread = threading.Thread(target=accept)
    thread.start()
    host, tcp_port = server.getsockname()
    settings = settings_line(line, (1,), 1.0).model_copy(update={"port": f"socket://{host}:{tcp_port}"})
    memory = Memory()
    poll = ModbusLine(
        "l1",
        wire=ModbusWire(settings),
        meters=[PolledMeter("m1", 1, load_map("float32-big-endian", HERE))],
        sink=CountingSink({"m1": "l1"}, memory),
        clock=Clock(),
        interval_s=0.1,
        timeout_s=1.0,
    )
    poll.start()
    try:
        wait_for(lambda: any(reason == "port_gone" for _, reason, _ in memory.gaps))
        before = len(memory.readings)
        wait_for(lambda: len(memory.readings) >= before + 3)
    finally:
        poll.stop()
        poll.join(10)
        stop.set()
        thread.join(10)
        server.close()
        line.stop()
