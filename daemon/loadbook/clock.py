"""The clock a service asks: the board's own, or one that runs faster (``demo``) or steps (tests). Only services and
lines ask it; pure rooms are told the time by their readings.

Two scales. ``mono_s`` never steps and counts durations and deadlines; ``now_ms`` is the wall clock, milliseconds since
1970 (UTC), and may step when the board's clock is set.
"""

from __future__ import annotations

import ctypes
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

SPEED = "LOADBOOK_CLOCK_SPEED"
"""Environment variable: this many seconds pass per real second, in every process of a demo."""
STEP_FILE = "LOADBOOK_CLOCK_STEP_FILE"
"""Environment variable: a file that holds milliseconds to add to the wall clock; read on every look (tests only)."""


TIME_ERROR = 5
TIMESYNCD_MARK = Path("/run/systemd/timesync/synchronized")
_NOTHING_TO_SET = ctypes.create_string_buffer(512)
"""A ``struct timex`` whose ``modes`` is 0: asks and sets nothing. Larger than any version of it."""
try:
    _adjtimex: Callable[[object], int] | None = ctypes.CDLL(None).adjtimex
except (OSError, AttributeError):
    _adjtimex = None


class Clock:
    """The board's clock, run at ``speed``. All clocks of one speed made at any time on one board agree."""

    def __init__(self, speed: float = 1.0, step_file: Path | None = None, origin_ms: int | None = None) -> None:
        self.speed = speed
        self._step_file = step_file
        self._real0_s = time.monotonic()
        self._mono0_s = self._real0_s * speed
        now_ms = time.time_ns() // 1_000_000
        origin_ms = now_ms if origin_ms is None else origin_ms
        self._wall0_ms = origin_ms + (now_ms - origin_ms) * speed

    def mono_s(self) -> float:
        """Seconds on a scale that never steps; its zero is the board's start."""
        return self._mono0_s + (time.monotonic() - self._real0_s) * self.speed

    def mono_ms(self) -> int:
        """The same in whole milliseconds."""
        return int(self.mono_s() * 1000)

    def now_ms(self) -> int:
        """The wall clock, milliseconds since 1970 (UTC)."""
        if self.speed == 1.0:
            now_ms = time.time_ns() // 1_000_000
        else:
            now_ms = int(self._wall0_ms + (time.monotonic() - self._real0_s) * self.speed * 1000)
        return now_ms + self._step_ms()

    def is_set(self) -> bool:
        """Whether the wall clock is known to be right: the kernel says so once something has synchronised it.

        adjtimex(2) returns TIME_ERROR (5) until then. A stepping clock (tests) is set when a file ``.set`` lies beside
        its step file.
        """
        if self._step_file is not None:
            return self._step_file.with_suffix(".set").exists()
        if _adjtimex is None or self.speed != 1.0:
            return True
        answer = int(_adjtimex(ctypes.byref(_NOTHING_TO_SET)))
        if answer < 0:  # not allowed to ask (a hardened unit); timesyncd leaves this mark for such cases
            return TIMESYNCD_MARK.exists()
        return answer != TIME_ERROR

    def wait_until(self, mono_s: float, stop: threading.Event) -> bool:
        """Sleep until ``mono_s`` or until ``stop`` is set. True when stopped."""
        while not stop.is_set():
            left_s = (mono_s - self.mono_s()) / self.speed
            if left_s <= 0:
                return False
            stop.wait(left_s)
        return True

    def _step_ms(self) -> int:
        if self._step_file is None:
            return 0
        try:
            return int(self._step_file.read_text(encoding="ascii") or 0)
        except (OSError, ValueError):
            return 0


def clock_of_environment() -> Clock:
    """The clock this process was given. ``LOADBOOK_CLOCK_SPEED`` is ``SPEED`` or ``SPEED@ORIGIN_MS``: the wall clock
    at which fast time began, so that several processes agree."""
    text = os.environ.get(SPEED, "1")
    speed, _, origin = text.partition("@")
    step = os.environ.get(STEP_FILE)
    return Clock(float(speed), Path(step) if step else None, int(origin) if origin else None)
