"""`loadbook demo` and `loadbook replay` as their user sees them: an address, machines at work, old cycles, an alert;
Ctrl-C leaves nothing behind. And what they say to bad input."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from loadbook.cli import main

pytestmark = pytest.mark.xdist_group("chain")


def wait_for(what: str, condition: Callable[[], Any], seconds: float = 90.0) -> Any:
    end = time.monotonic() + seconds
    while not (found := condition()):
        assert time.monotonic() < end, f"waited {seconds:g} s in vain for {what}"
        time.sleep(0.2)
    return found


class Shown:
    """A demo that runs: what it printed, and its API."""

    def __init__(self, process: subprocess.Popen[str], log: Path) -> None:
        self.process, self.log = process, log

    @property
    def address(self) -> str | None:
        found = re.search(r"Dashboard: (http://\S+)", self.log.read_text())
        assert self.process.poll() is None, self.log.read_text()
        return found[1] if found else None

    def api(self, path: str) -> Any:
        try:
            with urllib.request.urlopen(f"{self.address}api/{path}", timeout=10) as answer:
                return json.load(answer)
        except OSError:
            return None


@contextmanager
def shown(tmp_path: Path, *arguments: str) -> Iterator[Shown]:
    """Run a command until the block ends, then Ctrl-C; nothing may be left behind."""
    temporary = tmp_path / "tmp"
    temporary.mkdir()
    log = tmp_path / "out.log"
    with log.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "loadbook", *arguments], stdout=out, stderr=out, text=True,
            env=os.environ | {"TMPDIR": str(temporary)},
        )  # fmt: skip
        try:
            one = Shown(process, log)
            wait_for("the address", lambda: one.address)
            yield one
            process.send_signal(signal.SIGINT)
            assert process.wait(30) == 0, log.read_text()
        finally:
            if process.poll() is None:
                process.kill()
                process.wait(10)
    assert list(temporary.iterdir()) == []
    assert "Traceback" not in log.read_text()


def test_the_demo_shows_two_machines_their_past_and_an_alert(tmp_path: Path) -> None:
    with shown(tmp_path, "demo", "--speed", "40") as demo:
        machines = {m["id"]: m for m in wait_for("the machines", lambda: demo.api("machines"))["machines"]}
        assert set(machines) == {"quay-washer-1", "harbour-dish-2"}
        for machine in machines:
            cycles = demo.api(f"machines/{machine}/cycles")["cycles"]
            past = [c for c in cycles if c["outcome"] == "completed"]
            assert len(past) >= 2
            assert all(c["cost"] and c["currency"] == "EUR" for c in past)

        def both_running() -> bool:
            return all(m["state"] == "running" and m["phase"] for m in demo.api("machines")["machines"])

        wait_for("both machines to run a phase", both_running)

        def power_low() -> list[dict[str, Any]]:
            return [a for a in demo.api("alerts")["alerts"] if a["kind"] == "power_low"]

        (alert,) = {a["machine"] for a in wait_for("the alert", power_low, 120)}
        assert alert == "harbour-dish-2"
        silent = [a["kind"] for a in demo.api("alerts")["alerts"] if a["kind"] == "meter_silent"]
        assert silent == []


def test_a_log_is_replayed_over_a_serial_line(tmp_path: Path) -> None:
    with shown(
        tmp_path, "replay", "washer-healthy", "--machine", "quay-washer-1", "--wire", "rtu", "--speed", "40"
    ) as one:

        def running() -> bool:
            found = one.api("machines")
            return bool(found) and found["machines"][0]["state"] == "running"

        wait_for("the machine to run", running)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["demo", "--speed", "0"], "--speed 0: must be from 0.1 to 60"),
        (["demo", "--speed", "1000"], "--speed 1000: must be from 0.1 to 60"),
        (["demo", "--port", "99999"], "--port 99999: must be from 1 to 65535"),
        (["replay", "none.csv", "--machine", "quay-washer-1"], "none.csv: cannot read this log: no such file"),
        (["replay", "washer-healthy", "--machine", "none.toml"], "none.toml: cannot read this machine file"),
        (["replay", "washer-healthy", "--machine", "quay-washer-1", "--tariff", "none"], "cannot read this tariff"),
        (["replay", "washer-healthy", "--machine", "quay-washer-1", "--speed", "-1"], "--speed -1: must be from"),
    ],
)
def test_bad_input_is_one_line(arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == 2
    out, err = capsys.readouterr()
    assert message in err and err.count("\n") == 1 and "Dashboard" not in out


def test_a_port_in_use_is_one_line_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        assert main(["demo", "--port", port]) == 2
    assert f"port {port} is taken on 127.0.0.1" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
