"""A small site for tests of the chain: settings on free ports, simulated meters, and commands as processes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from loadbook.files import load_settings
from loadbook.settings import Settings
from loadbook.settings_text import settings_file

from tests.ports import free_port


def until(true: Callable[[], object], within_s: float = 60.0) -> None:
    """Wait for a condition; no fixed sleeps."""
    end = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.05)


def write_site(
    folder: Path,
    meters: dict[str, tuple[str, int]],
    chosen: dict[str, str] | None = None,
    machines: str = "[]",
    meter_map: str = "sunspec",
    timeout_s: float = 0.3,
) -> Path:
    """A settings file in ``folder``. ``meters``: meter id -> (machine id or "", TCP port of its line)."""
    chosen = {
        "site.name": '"quay-street"',
        "machines": machines,
        "store.folder": json.dumps(str(folder / "data")),
        "store.commit_every_s": "0.5",
        "broker.port": str(free_port()),
        "dashboard.port": str(free_port()),
        "poller.trust_clock": "true",
        **(chosen or {}),
    }
    text = settings_file(chosen)
    for meter, (machine, port) in meters.items():
        text += (
            f'\n[[line]]\nid = "{meter}-line"\nkind = "modbus_tcp"\nhost = "127.0.0.1"\ntcp_port = {port}\n'
            f"timeout_s = {timeout_s}\n"
            f'\n[[line.meter]]\nid = "{meter}"\nmap = "{meter_map}"\nmachine = "{machine}"\n'
        )
    path = folder / "loadbook.toml"
    path.write_text(text, encoding="utf-8")
    return path


class Service:
    """A command of ours as a process; ends with the test."""

    def __init__(self, *args: str, log: Path, env: dict[str, str] | None = None) -> None:
        self._out = log.open("ab")
        self.child = subprocess.Popen(
            [sys.executable, "-m", "loadbook", *args],
            stdout=self._out,
            stderr=self._out,
            env={**os.environ, **(env or {})},
        )

    def kill(self) -> None:
        self.child.kill()
        self.child.wait()
        self._out.close()

    def end(self, within_s: float = 40.0) -> int:
        self.child.terminate()
        status = self.child.wait(within_s)
        self._out.close()
        return status


def settings_of(path: Path) -> Settings:
    """The settings of a site's file."""
    return load_settings(path)
