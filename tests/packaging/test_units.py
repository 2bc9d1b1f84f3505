"""The systemd units, the install script and the broker's rights as they are shipped."""

from __future__ import annotations

import configparser
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
UNITS = sorted((ROOT / "systemd").glob("loadbook*"))
SERVICES = [unit for unit in UNITS if unit.suffix == ".service"]


def by_name(path: Path) -> str:
    return path.name


@pytest.fixture
def here(tmp_path: Path) -> Path:
    """The units with a program that is there, so that systemd-analyze can check the rest."""
    for unit in UNITS:
        text = unit.read_text().replace("/opt/loadbook/bin/loadbook", str(Path(sys.executable).resolve()))
        (tmp_path / unit.name).write_text(text)
    return tmp_path


@pytest.mark.systemd
@pytest.mark.parametrize("unit", UNITS, ids=by_name)
def test_systemd_takes_every_line(unit: Path, here: Path) -> None:
    done = subprocess.run(
        ["systemd-analyze", "verify", "--recursive-errors=no", "--man=no", here / unit.name],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


@pytest.mark.systemd
@pytest.mark.parametrize("unit", SERVICES, ids=by_name)
def test_services_are_hardened(unit: Path, here: Path) -> None:
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", "--threshold=21", here / unit.name],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-600:]


@pytest.mark.parametrize("unit", SERVICES, ids=by_name)
def test_services_wait_for_the_clock_and_the_broker_and_are_watched(unit: Path) -> None:
    text = unit.read_text()
    after = " ".join(re.findall(r"^After=(.*)$", text, re.M)).split()
    assert {"time-set.target", "mosquitto.service"} <= set(after)
    assert "Type=notify" in text and "WatchdogSec=" in text and "Restart=always" in text
    devices = re.findall(r"^DeviceAllow=(.*)$", text, re.M)
    if unit.name == "loadbook-poll.service":
        assert "DevicePolicy=closed" in text and "char-ttyUSB rw" in devices
        assert "RuntimeDirectory=loadbook-poll" in text and "RuntimeDirectoryPreserve=yes" in text
    else:
        assert "PrivateDevices=yes" in text and not devices


@pytest.mark.parametrize("unit", SERVICES, ids=by_name)
def test_each_service_starts_a_command_there_is(unit: Path) -> None:
    (command,) = re.findall(
        r"^ExecStart=/opt/loadbook/bin/loadbook (\w+) (?:--patient )?--config", unit.read_text(), re.M
    )
    done = subprocess.run(
        [sys.executable, "-m", "loadbook", command, "--help"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0 and "--config" in done.stdout


def test_the_target_starts_every_service() -> None:
    parser = configparser.ConfigParser()
    parser.read(ROOT / "systemd" / "loadbook.target")
    assert set(parser["Unit"]["Wants"].split()) == {unit.name for unit in SERVICES}


@pytest.mark.skipif(shutil.which("apt-get") is None, reason="needs Debian")
def test_a_dry_run_of_the_install_script_changes_nothing_and_shows_all() -> None:
    done = subprocess.run(
        ["bash", ROOT / "systemd" / "install.sh", "--dry-run"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    for step in ("apt-get install", "adduser", "pip install", "loadbook.acl", "loadbook.toml", "systemctl restart"):
        assert step in done.stdout
    for unit in UNITS:
        assert unit.name in done.stdout


def test_the_recorder_can_write_the_machine_files_that_the_dashboard_changes() -> None:
    unit = (ROOT / "systemd" / "loadbook-record.service").read_text()
    script = (ROOT / "systemd" / "install.sh").read_text()
    assert "ProtectSystem=strict" in unit and "ReadWritePaths=-/etc/loadbook/machines" in unit
    assert re.search(r'install -d -m 2770 -o root -g loadbook "\$etc/machines"', script)


def test_the_install_script_refuses_what_it_does_not_know() -> None:
    done = subprocess.run(
        ["bash", ROOT / "systemd" / "install.sh", "--quick"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2 and "--quick: no such option" in done.stderr
