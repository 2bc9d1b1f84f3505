"""The short form of fuzzing the decoders; the long one is ``tests/fuzz/decoders.py`` by itself."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parents[1] / "fuzz" / "decoders.py"


def test_decoders_survive_a_short_fuzz() -> None:
    pytest.importorskip("atheris", reason="atheris has no wheel for this processor")
    command = [sys.executable, str(SCRIPT), "--only", "together", "--runs", "4000"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=240)
    assert done.returncode == 0, done.stdout
    assert "together     fine" in done.stdout
