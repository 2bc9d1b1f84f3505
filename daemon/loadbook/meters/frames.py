"""Modbus RTU frames as bytes: finding the answer to a question among noise, and saying what was wrong where there is
none. Pure. The checksum is pymodbus' own.

Frame: unit, function, data, CRC (low byte first). Source: Modbus over Serial Line V1.02, 2.5.1; Application Protocol
V1.1b3, 6.3 and 6.4 (reading registers), 7 (exceptions: function + 0x80 and a code).
"""

from __future__ import annotations

from dataclasses import dataclass

from pymodbus.framer import FramerRTU

EXCEPTIONS: dict[int, str] = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server failure",
    5: "acknowledge",
    6: "busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target does not answer",
}
"""Exception codes, Application Protocol V1.1b3, 7."""


def crc(data: bytes) -> bytes:
    """The two bytes that close a frame, as they go over the wire."""
    return FramerRTU.compute_CRC(data).to_bytes(2, "big")


def whole(frame: bytes) -> bool:
    """Whether a frame's checksum holds."""
    return len(frame) >= 4 and crc(frame[:-2]) == frame[-2:]


@dataclass(frozen=True, slots=True)
class Question:
    """A request to read registers."""

    unit_id: int
    function: int
    address: int
    count: int

    def frame(self) -> bytes:
        """Its bytes on a serial line."""
        data = bytes((self.unit_id, self.function))
        data += self.address.to_bytes(2, "big") + self.count.to_bytes(2, "big")
        return data + crc(data)

    def answer_length(self) -> int:
        """Bytes of a good answer on a serial line."""
        return 5 + 2 * self.count

    def answer_in(self, data: bytes) -> bytes | None:
        """The answer, or the meter's refusal, wherever in ``data`` it stands, whole and with the right checksum."""
        good = bytes((self.unit_id, self.function, 2 * self.count))
        refusal = bytes((self.unit_id, self.function | 0x80))
        for start in range(len(data) - 4):
            for head, length in ((good, self.answer_length()), (refusal, 5)):
                frame = data[start : start + length]
                if frame.startswith(head) and len(frame) == length and whole(frame):
                    return frame
        return None

    def blame(self, data: bytes) -> str:
        """Why ``data``, all that came until the time-out, holds no answer: a key of ``GAP_REASONS``."""
        if not data:
            return "no_answer"
        head = bytes((self.unit_id, self.function))
        if other := _whole_answer(data):
            return "wrong_unit" if other[0] != self.unit_id else "wrong_answer"
        if data.startswith(head) or head.startswith(data):
            return "short" if len(data) < self.answer_length() else "crc"
        return "garbage"


def _whole_answer(data: bytes) -> bytes | None:
    """Some whole answer to a question about registers, whoever sent it."""
    for start in range(len(data) - 4):
        function = data[start + 1]
        length = 5 if function & 0x80 else 5 + data[start + 2]
        frame = data[start : start + length]
        if function & 0x7F in (3, 4) and len(frame) == length and whole(frame):
            return frame
    return None
