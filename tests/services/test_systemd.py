"""What is told to systemd arrives at its socket; outside systemd nothing happens."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest
from loadbook.services.systemd import notify, watchdog_every_s


@pytest.mark.parametrize("abstract", [False, True])
def test_a_message_reaches_the_socket(abstract: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    name = f"loadbook-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(f"\0{name}" if abstract else name)
        monkeypatch.setenv("NOTIFY_SOCKET", f"@{name}" if abstract else name)
        assert notify("READY=1")
        systemd.settimeout(5)
        assert systemd.recv(100) == b"READY=1"


def test_outside_systemd_nothing_happens(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not notify("READY=1")
    monkeypatch.setenv("NOTIFY_SOCKET", "/nowhere/at/all")
    assert not notify("READY=1")


def test_the_watchdog_is_fed_at_half_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """sd_watchdog_enabled(3): half of WATCHDOG_USEC is recommended; WATCHDOG_PID names whom it is for."""
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    monkeypatch.setenv("WATCHDOG_USEC", "30000000")
    assert watchdog_every_s() == 15.0
    monkeypatch.setenv("WATCHDOG_PID", str(os.getpid() + 1))
    assert watchdog_every_s() is None
    monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()))
    assert watchdog_every_s() == 15.0
    monkeypatch.delenv("WATCHDOG_USEC")
    assert watchdog_every_s() is None
