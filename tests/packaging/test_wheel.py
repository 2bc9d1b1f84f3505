"""The wheel, installed into an empty environment: the command works, and finds config and replay logs without a
checkout."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def loadbook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The command of an environment that has the dependencies (borrowed from this one) and the wheel, nothing else."""
    folder = tmp_path_factory.mktemp("wheel")
    pip = [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check"]
    # What is not tracked must not slip in, nor the build write into the checkout: a copy is built.
    source = folder / "source"
    source.mkdir()
    for name in ("README.md", "pyproject.toml", "daemon", "dashboard", "config", "systemd", "replay_logs"):
        subprocess.run(["cp", "-r", ROOT / name, source], check=True)
    wheel = [*pip, "wheel", "--no-deps", "--no-build-isolation", "--wheel-dir", folder, source]
    subprocess.run(wheel, check=True, stdout=subprocess.DEVNULL)
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", folder / "venv"], check=True)
    (packages,) = (folder / "venv" / "lib").glob("python3*/site-packages")
    (built,) = folder.glob("loadbook-*.whl")
    subprocess.run([*pip, "--python", folder / "venv" / "bin" / "python", "install", "--no-deps", built], check=True)
    borrowed = [path for path in sys.path if path.endswith("site-packages")]
    (packages / "borrowed.pth").write_text("\n".join(borrowed) + "\n")
    return folder / "venv" / "bin" / "loadbook"


def run(loadbook: Path, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([loadbook, *arguments], cwd=folder, capture_output=True, text=True, check=False)


def test_it_is_the_installed_copy_that_runs(loadbook: Path, tmp_path: Path) -> None:
    code = "import loadbook, loadbook.files as f; print(loadbook.__file__, f.share('config'))"
    done = subprocess.run(
        [loadbook.with_name("python"), "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    module, config = done.stdout.split()
    assert module.startswith(str(loadbook.parents[1])) and config.startswith(str(loadbook.parents[1]))


def test_assess_finds_a_log_and_a_machine_that_came_along(loadbook: Path, tmp_path: Path) -> None:
    done = run(loadbook, tmp_path, "assess", "washer-healthy", "--machine", "quay-washer-1", "--tariff", "quay-flat",
               "--json")  # fmt: skip
    assert done.returncode in (0, 1), done.stderr
    found = json.loads(done.stdout)
    assert found["log"]["rows"] > 1000 and found["log"]["energy_kwh"] > 0.1


@pytest.mark.parametrize("folder", ["config", "replay_logs", "systemd"])
def test_everything_that_comes_along_is_there(loadbook: Path, folder: str) -> None:
    (installed,) = loadbook.parents[1].glob("lib/python3*/site-packages/loadbook/share")
    have = {str(path.relative_to(installed)) for path in (installed / folder).rglob("*") if path.is_file()}
    want = {str(path.relative_to(ROOT)) for path in (ROOT / folder).rglob("*") if path.is_file()}
    assert have == want


def test_the_dashboard_has_its_templates_and_styles(loadbook: Path) -> None:
    (installed,) = loadbook.parents[1].glob("lib/python3*/site-packages/loadbook_dashboard")
    source = ROOT / "dashboard" / "loadbook_dashboard"
    want = {p.relative_to(source) for p in source.rglob("*") if p.is_file() and "__pycache__" not in p.parts}
    assert {p for p in want if not (installed / p).is_file()} == set()
