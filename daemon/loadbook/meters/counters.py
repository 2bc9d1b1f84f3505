"""What became of every tick, counted per meter: read, or a gap and its reason. Published with the poller's state."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import Any

from loadbook.meters.sink import Sink
from loadbook.reading import Reading


class _Count:
    __slots__ = ("absurd", "detail", "gaps", "in_a_row", "last_at_ms", "line", "read", "reason")

    def __init__(self, line: str) -> None:
        self.line = line
        self.read = 0
        self.gaps: dict[str, int] = {}
        self.in_a_row = 0
        self.reason: str | None = None
        self.detail = ""
        self.last_at_ms: int | None = None
        self.absurd: dict[str, float] = {}


class CountingSink:
    """Counts everything and hands it on. Lines of several threads may share one."""

    def __init__(self, meters: dict[str, str], sink: Sink | None = None) -> None:
        """``meters``: line id by meter id."""
        self._sink = sink
        self._lock = threading.Lock()
        self._counts = {meter: _Count(line) for meter, line in meters.items()}

    def deliver_to(self, sink: Sink) -> None:
        """Hand on to ``sink`` from now on; said before the first line starts."""
        self._sink = sink

    def put(self, meter_id: str, reading: Reading, mono_ms: int) -> None:
        """A reading."""
        with self._lock:
            count = self._counts[meter_id]
            count.read += 1
            count.in_a_row, count.reason, count.detail = 0, None, ""
            count.last_at_ms = reading.at_ms
        if self._sink is not None:
            self._sink.put(meter_id, reading, mono_ms)

    def gap(self, meter_id: str, at_ms: int, mono_ms: int, reason: str, detail: str = "") -> None:
        """A tick without a reading. ``detail`` is for people; it is not stored."""
        with self._lock:
            count = self._counts[meter_id]
            count.gaps[reason] = count.gaps.get(reason, 0) + 1
            count.in_a_row, count.reason, count.detail = count.in_a_row + 1, reason, detail
        if self._sink is not None:
            self._sink.gap(meter_id, at_ms, mono_ms, reason)

    def doubt(self, meter_id: str, absurd: Mapping[str, float]) -> None:
        """Values that were left out because they cannot be; the last of each quantity is kept to be shown."""
        with self._lock:
            self._counts[meter_id].absurd.update(absurd)

    def failing(self) -> frozenset[tuple[str, str]]:
        """(meter, reason) of the meters whose last tick was a gap: when this changes, the state is worth publishing."""
        with self._lock:
            return frozenset((m, c.reason) for m, c in self._counts.items() if c.reason is not None)

    def snapshot(self) -> dict[str, Any]:
        """JSON-able, by meter id: ``line``, ``state`` (``reading``, ``gap`` or ``starting``), ``read``, ``gaps`` by
        reason, ``gaps_in_a_row``, ``reason`` and ``detail`` of the last gap while it lasts, ``absurd`` (the last value
        left out, by quantity), ``last_at_ms``."""
        with self._lock:
            return {
                meter: {
                    "line": c.line,
                    "state": "gap" if c.reason else "reading" if c.read else "starting",
                    "read": c.read,
                    "gaps": dict(c.gaps),
                    "gaps_in_a_row": c.in_a_row,
                    "reason": c.reason,
                    "detail": c.detail,
                    "absurd": dict(c.absurd),
                    "last_at_ms": c.last_at_ms,
                }
                for meter, c in self._counts.items()
            }
