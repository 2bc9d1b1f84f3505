"""What the services say when they cannot start: one line that names the file, key, port or broker, exit status 2, and
nothing half-started. As processes, as systemd or a user starts them."""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.ports import free_port

SERVICES = ("run", "record", "poll", "serve")
GOOD = """
machines = ["quay-washer-1"]
[broker]
port = {broker}
[store]
folder = "data"
[dashboard]
port = {web}
[[line]]
id = "line-1"
kind = "modbus_tcp"
host = "127.0.0.1"
tcp_port = {closed}
[[line.meter]]
id = "meter-1"
map = "sunspec"
machine = "quay-washer-1"
"""


@pytest.fixture
def ports() -> dict[str, int]:
    """Three ports that are free now."""
    return {name: free_port() for name in ("broker", "web", "closed")}


@pytest.fixture
def taken() -> Iterator[int]:
    """A port somebody else listens on."""
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        yield other.getsockname()[1]


def refused(service: str, folder: Path, *more: str) -> str:
    """The one line a service ends with."""
    done = subprocess.run(
        [sys.executable, "-m", "loadbook", service, "--config", "loadbook.toml", *more],
        cwd=folder, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 2, done.stdout + done.stderr
    lines = [line for line in done.stderr.splitlines() if line]
    assert len(lines) == 1 and lines[0].startswith("loadbook: "), done.stderr
    assert "Dashboard" not in done.stdout
    return lines[0]


@pytest.mark.parametrize(
    ("service", "text", "message"),
    [
        *((service, "[poller]\nintervall_s = 1\n", "poller.intervall_s: no such key") for service in SERVICES),
        ("run", None, "loadbook.toml: cannot read this settings file: no such file"),
        ("run", '[poller]\ninterval_s = "1 s"\n', "poller.interval_s: input should be a valid number"),
        ("run", "[broker\n", "loadbook.toml: not valid TOML"),
    ],
)
def test_settings_that_cannot_be_used(service: str, text: str | None, message: str, tmp_path: Path) -> None:
    if text is not None:
        (tmp_path / "loadbook.toml").write_text(text)
    assert message in refused(service, tmp_path)
    assert not (tmp_path / "data").exists()


@pytest.mark.parametrize("service", ["run", "record"])
@pytest.mark.parametrize(
    ("instead", "message"),
    [
        ('machines = ["none.toml"]', "none.toml: cannot read this machine file: no such file"),
        ('machines = ["quay-washer-1"]\ntariff = "none"', "none: cannot read this tariff file: no such file"),
        ('machines = ["quay-washer-1"]\ncauses = ["none.toml"]', "none.toml: cannot read this cause table"),
        ('machines = ["harbour-dish-2"]', "machine 'quay-washer-1': no file in machines has this id"),
    ],
)
def test_files_that_are_not_there(
    service: str, instead: str, message: str, tmp_path: Path, ports: dict[str, int]
) -> None:
    text = GOOD.format(**ports).replace('machines = ["quay-washer-1"]', instead)
    (tmp_path / "loadbook.toml").write_text(text)
    assert message in refused(service, tmp_path)


@pytest.mark.parametrize("service", ["run", "poll"])
def test_a_serial_port_that_is_not_there(service: str, tmp_path: Path, ports: dict[str, int]) -> None:
    text = GOOD.format(**ports).replace("modbus_tcp", "modbus_rtu").replace('host = "127.0.0.1"', 'port = "/dev/none"')
    (tmp_path / "loadbook.toml").write_text(text)
    assert "/dev/none" in refused(service, tmp_path)


@pytest.mark.parametrize("service", ["run", "poll"])
def test_a_meter_map_that_is_not_there(service: str, tmp_path: Path, ports: dict[str, int]) -> None:
    (tmp_path / "loadbook.toml").write_text(GOOD.format(**ports).replace('map = "sunspec"', 'map = "none"'))
    assert "map 'none': no such meter map; there are" in refused(service, tmp_path)


@pytest.mark.parametrize("service", ["record", "poll", "run"])
def test_a_broker_that_is_not_there(service: str, tmp_path: Path, ports: dict[str, int]) -> None:
    text = GOOD.format(**ports).replace("[broker]", '[broker]\nhost = "127.0.0.1"')
    (tmp_path / "loadbook.toml").write_text(text)
    line = refused(service, tmp_path)
    assert f"127.0.0.1:{ports['broker']}" in line


@pytest.mark.parametrize("service", ["record", "run"])
def test_a_store_that_cannot_be_written(service: str, tmp_path: Path, ports: dict[str, int]) -> None:
    (tmp_path / "loadbook.toml").write_text(GOOD.format(**ports))
    (tmp_path / "data").write_text("a file where the folder should be")
    assert "data" in refused(service, tmp_path)


def test_an_outbox_that_cannot_be_written(tmp_path: Path, ports: dict[str, int]) -> None:
    (tmp_path / "loadbook.toml").write_text(GOOD.format(**ports))
    (tmp_path / "data").write_text("a file where the folder should be")
    assert "outbox" in refused("poll", tmp_path)


@pytest.mark.parametrize("service", ["serve", "run"])
def test_a_dashboard_port_in_use(service: str, tmp_path: Path, ports: dict[str, int], taken: int) -> None:
    (tmp_path / "loadbook.toml").write_text(GOOD.format(**ports | {"web": taken}))
    assert str(taken) in refused(service, tmp_path)


@pytest.mark.parametrize("service", ["record", "run"])
def test_an_embedded_broker_s_port_in_use(service: str, tmp_path: Path, ports: dict[str, int], taken: int) -> None:
    (tmp_path / "loadbook.toml").write_text(GOOD.format(**ports | {"broker": taken}))
    assert str(taken) in refused(service, tmp_path)
