"""The shell scripts, and what the top of the checkout may hold."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TOP = set(
    ["README.md", "DEVELOPERS.md", "pyproject.toml", "daemon", "dashboard", "config", "systemd", "tests", "replay_logs"]
)


IGNORED = {"__pycache__", "build", "dist"}


def scripts() -> list[str]:
    found = [
        path.relative_to(ROOT)
        for folder in ("daemon", "systemd", "tests", ".ci")
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and (path.suffix == ".sh" or path.read_bytes()[:3] == b"#!/")
    ]
    return sorted(str(path) for path in found if path.suffix != ".py")


@pytest.mark.shell
@pytest.mark.parametrize("name", scripts())
def test_shell_scripts_are_clean(name: str) -> None:
    done = subprocess.run(["shellcheck", "-x", name], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


def test_the_top_holds_nothing_else() -> None:
    assert {p.name for p in ROOT.iterdir() if not p.name.startswith(".")} - IGNORED <= TOP


def test_no_two_test_files_have_one_name() -> None:
    """pytest takes files of folders that are no packages by their bare names; two of one name end the whole run."""
    names = [p.name for p in (ROOT / "tests").rglob("test_*.py") if not (p.parent / "__init__.py").exists()]
    assert sorted(name for name in set(names) if names.count(name) > 1) == []
