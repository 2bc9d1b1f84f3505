"""A serial line without hardware: two pseudo-terminals and a thread that carries bytes between them, at the line's
speed if asked, echoing, spoiling, delaying or dropping them as told, and that can be unplugged and plugged in again.

Used by the simulated meters. Knows nothing of any protocol.
"""

from __future__ import annotations

import contextlib
import heapq
import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

Spoil = Callable[[bytes], list[tuple[float, bytes]]]
"""Takes what one side sends in one go; gives what comes out, as (delay in s, bytes)."""


def _as_sent(data: bytes) -> list[tuple[float, bytes]]:
    return [(0.0, data)]


class PseudoLine:
    """``outer`` is the end a program under test opens, by the path ``link``; ``inner`` is the meters' end."""

    def __init__(
        self,
        link: Path,
        *,
        char_s: float = 0.0,
        turnaround_s: float = 0.0,
        echo: bool = False,
        on_request: Spoil = _as_sent,
        on_answer: Spoil = _as_sent,
    ) -> None:
        """``char_s``: time one character takes on the wire; 0 does not pace. ``turnaround_s``: pause before an answer.
        ``echo``: the outer end hears what it sends, as with a two-wire adapter."""
        self.link = link
        self.echo = echo
        self._char_s, self._turnaround_s = char_s, turnaround_s
        self._on_request, self._on_answer = on_request, on_answer
        self._inner, inner_slave = _open_pair()
        self._inner_keeper = inner_slave
        self.inner_path = os.ttyname(inner_slave)
        self._outer = self._outer_keeper = -1
        self._due: list[tuple[float, int, bool, bytes]] = []
        self._count = 0
        self._free_s = 0.0
        self._lock = threading.Lock()
        self._wake_read, self._wake_write = os.pipe()
        self._stop = False
        self.plug()
        self._thread = threading.Thread(target=self._run, name=f"pseudoline-{link.name}", daemon=True)
        self._thread.start()

    def plug(self, link: Path | None = None) -> None:
        """Connect the outer end, under its old path or another one."""
        with self._lock:
            if self._outer >= 0:
                return
            self.link = link or self.link
            self._outer, self._outer_keeper = _open_pair()
            self.link.unlink(missing_ok=True)
            self.link.symlink_to(os.ttyname(self._outer_keeper))
        self._wake()

    def unplug(self) -> None:
        """Take the outer end away, as an adapter pulled out of its socket: the path goes, open files hang up."""
        with self._lock:
            self.link.unlink(missing_ok=True)
            for fd in (self._outer, self._outer_keeper):
                if fd >= 0:
                    os.close(fd)
            self._outer = self._outer_keeper = -1
            self._due.clear()
        self._wake()

    def say(self, data: bytes) -> None:
        """Send ``data`` to the outer end as if a meter had said it."""
        with self._lock:
            self._send(time.monotonic(), data, to_outer=True)
        self._wake()

    def close(self) -> None:
        """End the thread, close both ends."""
        self._stop = True
        self._wake()
        self._thread.join(5)
        self.unplug()
        for fd in (self._inner, self._inner_keeper, self._wake_read, self._wake_write):
            os.close(fd)

    def _wake(self) -> None:
        os.write(self._wake_write, b"x")

    def _run(self) -> None:
        while not self._stop:
            with self._lock:
                ends = [fd for fd in (self._inner, self._outer, self._wake_read) if fd >= 0]
                wait_s = max(0.0, self._due[0][0] - time.monotonic()) if self._due else None
            try:
                ready = select.select(ends, [], [], wait_s)[0]
            except (OSError, ValueError):  # the outer end went while we slept
                continue
            if self._wake_read in ready:
                os.read(self._wake_read, 64)
            with self._lock:
                self._carry(ready)
                self._deliver()

    def _carry(self, ready: list[int]) -> None:
        now_s = time.monotonic()
        if self._outer >= 0 and self._outer in ready and (data := _read(self._outer)):
            if self.echo:
                self._send(now_s, data, to_outer=True)
            for delay_s, piece in self._on_request(data):
                self._send(now_s + delay_s, piece, to_outer=False)
        if self._inner in ready and (data := _read(self._inner)):
            for delay_s, piece in self._on_answer(data):
                self._send(now_s + self._turnaround_s + delay_s, piece, to_outer=True)

    def _send(self, start_s: float, data: bytes, *, to_outer: bool) -> None:
        """Lay bytes on the line, after what is on it already; a paced line hands them over a few at a time."""
        step = len(data) if self._char_s == 0 else max(1, round(0.004 / self._char_s))
        at_s = max(start_s, self._free_s) if self._char_s else start_s
        for first in range(0, len(data), max(1, step)):
            piece = data[first : first + step]
            at_s += len(piece) * self._char_s
            self._count += 1
            heapq.heappush(self._due, (at_s, self._count, to_outer, piece))
        if self._char_s:
            self._free_s = at_s

    def _deliver(self) -> None:
        while self._due and self._due[0][0] <= time.monotonic():
            _, _, to_outer, piece = heapq.heappop(self._due)
            end = self._outer if to_outer else self._inner
            if end >= 0:
                with contextlib.suppress(OSError):
                    os.write(end, piece)


def _open_pair() -> tuple[int, int]:
    master, slave = pty.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    return master, slave


def _read(fd: int) -> bytes:
    try:
        return os.read(fd, 4096)
    except OSError:
        return b""
