"""Where a line puts what it read, and the reasons a reading can fail. Implemented by the outbox; a list in tests.

Pure: names only.
"""

from __future__ import annotations

from typing import Protocol

from loadbook.reading import Reading

GAP_REASONS: dict[str, str] = {
    "no_answer": "the meter did not answer in time",
    "crc": "an answer came damaged (checksum wrong)",
    "short": "an answer broke off",
    "garbage": "something came that is no answer",
    "wrong_unit": "another unit answered",
    "wrong_answer": "an answer to another question came",
    "late": "the answer to an earlier question came",
    "exception": "the meter refused the question",
    "not_found": "the registers the map looks for are not there",
    "no_value": "the answer holds no value",
    "port_gone": "the port cannot be opened or has gone",
    "line_busy": "the line had no time left for this meter",
    "overrun": "the poller itself was late",
}
"""Why a tick has no reading. A gap always carries one of these."""


class Sink(Protocol):
    """Takes readings and gaps in at once: never blocks, never raises, bounded."""

    def put(self, meter_id: str, reading: Reading, mono_ms: int) -> None:
        """A reading. ``mono_ms`` is the monotonic time of ``reading.at_ms`` (``Clock.mono_ms``)."""

    def gap(self, meter_id: str, at_ms: int, mono_ms: int, reason: str) -> None:
        """No reading at this tick. ``reason`` is a key of ``GAP_REASONS``."""
