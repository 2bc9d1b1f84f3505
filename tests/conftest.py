"""Which real parts the tests need: a test marked with one is skipped, by name, where the part cannot be had; with
``CI=true`` no test may be skipped."""

from __future__ import annotations

import ctypes
import os
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# Tests assert no timings: on a busy board an example may take as long as it likes.
settings.register_profile("unhurried", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("unhurried")

PARTS = {
    "broker": (("mosquitto",), "mosquitto"),
    "browser": (("chromium",), "chromium"),
    "server_store": (("victoria-metrics",), "victoria-metrics"),
    "systemd": (("systemd-analyze",), "systemd"),
    "shell": (("shellcheck",), "shellcheck"),
    "pdf": (("libpangoft2-1.0.so.0",), "libpangoft2-1.0-0"),
}
"""Marker -> (names of the program, or of a library; Debian package)."""

IN_CI = os.environ.get("CI", "").lower() in ("1", "true", "yes")
_PATH = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/sbin", "/usr/local/sbin"])
os.environ["PATH"] = _PATH  # mosquitto lies in /usr/sbin, which a user's PATH leaves out


def find_part(marker: str) -> Path | None:
    """The program or library a marker stands for, or None."""
    names, _ = PARTS[marker]
    for name in names:
        if found := shutil.which(name, path=_PATH):
            return Path(found)
        if name.startswith("lib"):
            try:
                ctypes.CDLL(name)
            except OSError:
                continue
            return Path(name)
    return None


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    absent = {marker: PARTS[marker][1] for marker in PARTS if find_part(marker) is None}
    for item in items:
        for marker, package in absent.items():
            if item.get_closest_marker(marker):
                item.add_marker(pytest.mark.skip(reason=f"needs Debian's {package}: apt-get install {package}"))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    skipped = terminalreporter.stats.get("skipped", [])
    if skipped:
        terminalreporter.section("skipped tests" + (": not allowed in CI" if IN_CI else ""))
        for report in skipped:
            reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
            terminalreporter.line(f"{report.nodeid}: {str(reason).removeprefix('Skipped: ')}")


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if IN_CI and exitstatus == 0 and reporter is not None and reporter.stats.get("skipped"):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
