"""The whole chain as it runs for real: a Modbus RTU meter on a pseudo-terminal, poller, broker, recorder, store,
ledger, dashboard's API. Once all in one process with the embedded broker, once as three services with mosquitto.

What went over the wire is known from the meter's own journal: every answer must be in the store exactly once.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from loadbook.clock import SPEED, Clock
from loadbook.files import load_map
from loadbook.meters.simulated import Player, SimulatedLine, SimulatedMeter
from loadbook.store.sqlite_readings import SqliteReader

from tests.chain.stage_machine import DRAIN_S, FILL_S, HEAT_S, MACHINE, play
from tests.ports import free_port

FAST = 10.0
"""Seconds that pass in one: a cycle of four minutes takes 24 s, a tick 100 ms."""

pytestmark = pytest.mark.xdist_group("chain")


def wait_for(what: str, condition: Callable[[], Any], seconds: float = 90.0) -> Any:
    end = time.monotonic() + seconds
    while not (found := condition()):
        assert time.monotonic() < end, f"waited {seconds:g} s in vain for {what}"
        time.sleep(0.1)
    return found


def asked(url: str) -> Any:
    try:
        with urllib.request.urlopen(url, timeout=10) as answer:
            return json.load(answer)
    except OSError:
        return None


@contextmanager
def services(
    commands: list[list[str]], environment: dict[str, str], folder: Path
) -> Iterator[list[subprocess.Popen[str]]]:
    """Commands of loadbook as processes of their own, stopped by SIGINT as by Ctrl-C."""
    running = []
    try:
        for number, command in enumerate(commands):
            log = (folder / f"service-{number}.log").open("w")
            running.append(subprocess.Popen(
                [sys.executable, "-m", "loadbook", *command], env=environment, stdout=log, stderr=log, text=True,
            ))  # fmt: skip
        yield running
        for process in reversed(running):
            process.send_signal(signal.SIGINT)
        assert [process.wait(30) for process in running] == [0] * len(running)
    except BaseException:
        for log in sorted(folder.glob("service-*.log")):
            print(f"--- {log.name}\n{log.read_text()[-3000:]}")
        raise
    finally:
        for process in running:
            if process.poll() is None:
                process.kill()
                process.wait(10)


@contextmanager
def mosquitto(folder: Path) -> Iterator[int]:
    port = free_port()
    (folder / "mosquitto.conf").write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nuser root\n")
    process = subprocess.Popen(["mosquitto", "-c", folder / "mosquitto.conf"], stderr=subprocess.DEVNULL)
    try:
        wait_for("mosquitto", lambda: socket.socket().connect_ex(("127.0.0.1", port)) == 0, 20)
        yield port
    finally:
        process.terminate()
        process.wait(10)


class Stage:
    """A meter that plays, and the settings file for it."""

    def __init__(self, folder: Path, broker_port: int, embedded: bool, heater_w: float) -> None:
        self.folder = folder
        origin_ms = time.time_ns() // 1_000_000
        self.environment = os.environ | {SPEED: f"{FAST:g}@{origin_ms}"}
        clock = Clock(FAST, origin_ms=origin_ms)
        meter = SimulatedMeter(1, load_map("float32-big-endian", folder), Player(play(heater_w), clock))
        self.line = SimulatedLine([meter], clock, link=folder / "line").start()
        self.web_port = free_port()
        (folder / "machine.toml").write_text(MACHINE)
        self.config = folder / "loadbook.toml"
        self.config.write_text(f"""\
machines = ["machine.toml"]
tariff = "quay-flat"
[site]
name = "pier"
[broker]
host = "{"" if embedded else "127.0.0.1"}"
port = {broker_port}
[store]
folder = "data"
commit_every_s = 2.0
[poller]
trust_clock = true
[dashboard]
port = {self.web_port}
[[line]]
id = "line"
kind = "modbus_rtu"
port = "{self.line.port}"
timeout_s = 5.0  # on a busy machine an answer must not come too late to count
[[line.meter]]
id = "pier-meter"
map = "float32-big-endian"
machine = "pier-washer-9"
""")

    def api(self, path: str) -> Any:
        return asked(f"http://127.0.0.1:{self.web_port}/api/{path}")

    def ended_cycle(self) -> Any:
        found = self.api("machines/pier-washer-9/cycles")
        cycles = found["cycles"] if found else []
        return found if any(cycle["outcome"] == "completed" for cycle in cycles) else None

    def answered_and_stored(self) -> tuple[list[float], list[float]]:
        """The powers the meter answered with, and those that are in the store; both in order."""
        answers = [round(a.values["power_w"], 2) for a in list(self.line.journal) if a.spoiled is None]
        with closing(SqliteReader.open(self.folder / "data")) as reader:
            series = reader.series("pier-meter", 0, 2**53)
        stored = [round(value, 2) for value in series.power_w.tolist()]
        return answers, stored


@pytest.fixture(params=["embedded", pytest.param("mosquitto", marks=pytest.mark.broker)])
def running(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Stage]:
    """Everything running. Half of the heater's watts: one alert must come."""
    embedded = request.param == "embedded"
    with mosquitto(tmp_path) if not embedded else closing_port() as broker_port:
        stage = Stage(tmp_path, broker_port, embedded, heater_w=950.0)
        config = ["--config", str(stage.config)]
        commands = [["run", *config]] if embedded else [["record", *config], ["poll", *config], ["serve", *config]]
        try:
            with services(commands, stage.environment, tmp_path):
                yield stage
        finally:
            stage.line.stop()


@contextmanager
def closing_port() -> Iterator[int]:
    yield free_port()


def test_from_the_wire_to_the_page(running: Stage) -> None:
    wait_for("the machine on the API", lambda: running.api("machines"))
    found = wait_for("a completed cycle", running.ended_cycle)

    (cycle,) = found["cycles"]
    assert cycle["programme"] == "quick" and cycle["verdict"] == "attention" and found["verdict"] == "attention"
    phases = {phase["id"]: phase for phase in cycle["phases"]}
    assert list(phases) == ["fill", "heat", "drain"]
    assert phases["heat"]["verdict"] == "low" and phases["fill"]["verdict"] == "ok"
    # Energy from the programme itself: watts above times seconds, standby included.
    kwh = ((1 + 9) * FILL_S + (1 + 950) * HEAT_S + (1 + 30) * DRAIN_S) / 3.6e6
    assert cycle["energy_kwh"] == pytest.approx(kwh, rel=0.03)
    assert cycle["cost"] == pytest.approx(cycle["energy_kwh"] * 0.36, rel=0.1) and cycle["currency"] == "EUR"
    (alert,) = [alert for alert in found["alerts"] if alert["kind"] == "power_low"]
    assert alert["component"] == "heater" and alert["phase"] == "heat" and alert["causes"]
    assert alert["measured"] == pytest.approx(950, abs=5)

    # All that the meter answered before now must arrive, once each, in order; nothing else may.
    asked_until = len(running.line.journal)

    wait_for("the last readings to be committed", lambda: len(running.answered_and_stored()[1]) >= asked_until)
    answers, stored = running.answered_and_stored()
    assert stored == answers[: len(stored)]
