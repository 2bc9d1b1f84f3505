"""The plan of the house, held: imports flow one way, pure rooms do no input or output, files stay readable."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
DAEMON = ROOT / "daemon" / "loadbook"
DASHBOARD = ROOT / "dashboard" / "loadbook_dashboard"

PURE = (
    "reading",
    "events",
    "machine",
    "settings",
    "checked",
    "energy",
    "counter",
    "errors",
    "alert_kinds",
    "assessor",
    "recognise",
    "judge",
    "cost",
    "soak",
    "simulate",
)
WRITERS = {"simulate/write.py"}
"""The one file of a pure room that touches files."""
IMPURE_MODULES = {
    "asyncio", "socket", "sqlite3", "subprocess", "threading", "time", "os", "io", "pathlib", "shutil", "tempfile",
    "serial", "pymodbus", "paho", "amqtt", "influxdb_client", "flask", "waitress", "apscheduler", "urllib", "http",
}  # fmt: skip
IMPURE_ROOMS = {"clock", "meters", "transport", "store", "services", "commands", "cli", "files", "logs", "tariff_files"}


def imports_of(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def python_files(folder: Path) -> list[Path]:
    return sorted(p for p in folder.rglob("*.py") if "share" not in p.parts)


@pytest.mark.parametrize("path", python_files(DAEMON), ids=lambda p: str(p.relative_to(ROOT)))
def test_the_daemon_never_imports_the_dashboard(path: Path) -> None:
    assert not {name for name in imports_of(path) if name.split(".")[0] == "loadbook_dashboard"}


def pure_files() -> list[Path]:
    pure = [p for p in python_files(DAEMON) if p.relative_to(DAEMON).parts[0].removesuffix(".py") in PURE]
    return [p for p in pure if p.relative_to(DAEMON).as_posix() not in WRITERS]


@pytest.mark.parametrize("path", pure_files(), ids=lambda p: str(p.relative_to(ROOT)))
def test_pure_rooms_stay_pure(path: Path) -> None:
    names = imports_of(path)
    assert not {name for name in names if name.split(".")[0] in IMPURE_MODULES}
    rooms = {name.split(".")[1] for name in names if name.startswith("loadbook.") and name.count(".") >= 1}
    assert not rooms & IMPURE_ROOMS


PURE_OF_METERS = (
    "budget", "maps", "measured", "registers", "sense", "sink", "sunspec", "telegram_maps",
    "telegrams/checks", "telegrams/decode", "telegrams/obis", "telegrams/sign_on", "telegrams/sml", "telegrams/split",
    "telegrams/text",
)  # fmt: skip


@pytest.mark.parametrize("name", PURE_OF_METERS)
def test_what_makes_values_of_bytes_is_pure(name: str) -> None:
    """In the meters' room the wire stands apart from the meaning of what comes over it."""
    names = imports_of(DAEMON / "meters" / f"{name}.py")
    assert not {module for module in names if module.split(".")[0] in IMPURE_MODULES}
    assert not {module for module in names if module.startswith(("loadbook.clock", "loadbook.files"))}


@pytest.mark.parametrize("folder", [DAEMON, DASHBOARD], ids=["daemon", "dashboard"])
def test_every_module_says_what_it_is_for(folder: Path) -> None:
    silent = [p for p in python_files(folder) if not ast.get_docstring(ast.parse(p.read_text(encoding="utf-8")))]
    assert not silent
