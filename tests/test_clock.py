"""The clock: fast time agrees between processes, a step moves the wall clock alone."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest
from loadbook.clock import SPEED, STEP_FILE, Clock, clock_of_environment


def test_fast_time_agrees_between_clocks_made_at_different_times(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(SPEED, f"100@{time.time_ns() // 1_000_000 - 5000}")
    first = clock_of_environment()
    time.sleep(0.05)
    second = clock_of_environment()
    assert abs(first.now_ms() - second.now_ms()) < 1000
    assert abs(first.mono_ms() - second.mono_ms()) < 1000
    assert first.now_ms() - time.time_ns() // 1_000_000 > 400_000


def test_a_step_moves_the_wall_clock_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    step = tmp_path / "step"
    monkeypatch.setenv(STEP_FILE, str(step))
    monkeypatch.delenv(SPEED, raising=False)
    clock = clock_of_environment()
    mono_ms, now_ms = clock.mono_ms(), clock.now_ms()
    step.write_text("-120000")
    assert clock.now_ms() < now_ms - 60_000
    assert clock.mono_ms() >= mono_ms
    step.write_text("rubbish")
    assert clock.now_ms() >= now_ms


def test_waiting_ends_at_the_deadline_or_when_stopped() -> None:
    clock, stop = Clock(speed=50.0), threading.Event()
    due_s = clock.mono_s() + 1.0
    assert not clock.wait_until(due_s, stop)
    assert clock.mono_s() >= due_s
    stop.set()
    assert clock.wait_until(clock.mono_s() + 1e6, stop)
