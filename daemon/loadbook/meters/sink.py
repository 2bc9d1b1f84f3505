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
    "absurd": "a value came that no meter can have measured",
    "port_gone": "the port cannot be opened or has gone",
    "line_busy": "the line had no time left for this meter",
    "overrun": "the poller itself was late",
}
"""Why a tick has no reading. A gap always carries one of these."""

GAP_CHECKS: dict[str, str] = {
    "no_answer": "is the meter powered, A and B the right way round, unit id, baud rate and parity right?",
    "crc": "parity, termination at both ends, the cable's way past motors and inverters",
    "short": "termination and cable; another program on the same line",
    "garbage": "baud rate and parity; another program on the same line",
    "wrong_unit": "two meters with one unit id, or another program on the same line",
    "wrong_answer": "another program on the same line",
    "late": "the meter is slower than timeout_s: raise it",
    "exception": "addresses and function code of the map against the meter's sheet: loadbook meter try",
    "not_found": "is it the meter the map is for? loadbook meter try",
    "no_value": "the meter says it measures nothing: is its voltage input connected?",
    "absurd": "word order, types and scales of the map: loadbook meter try",
    "port_gone": "is the adapter plugged in, the network up, the path one of /dev/serial/by-id?",
    "line_busy": "mend the meters that do not answer, or give the line fewer",
    "overrun": "the board is overloaded, or the line's meters need longer than the interval",
}
"""What to look at, by reason. Common practice, no source."""


class Sink(Protocol):
    """Takes readings and gaps in at once: never blocks, never raises, bounded."""

    def put(self, meter_id: str, reading: Reading, mono_ms: int) -> None:
        """A reading. ``mono_ms`` is the monotonic time of ``reading.at_ms`` (``Clock.mono_ms``)."""

    def gap(self, meter_id: str, at_ms: int, mono_ms: int, reason: str) -> None:
        """No reading at this tick. ``reason`` is a key of ``GAP_REASONS``."""
