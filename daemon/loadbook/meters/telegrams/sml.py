"""SML frames into values. Pure; constant depth, no value out of a frame whose checksum does not hold.

Source: Smart Message Language 1.04 (BSI TR-03109-1, annex IV-b): transport version 1, section 8; encoding, section 6;
GetList response, section 5. Unit codes: DLMS blue book, as in IEC 62056-62.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from loadbook.meters.telegrams.checks import DamagedError, crc_x25
from loadbook.meters.telegrams.obis import Value

ESCAPE = b"\x1b\x1b\x1b\x1b"
BEGIN = ESCAPE + b"\x01\x01\x01\x01"
END = ESCAPE + b"\x1a"
GET_LIST_RESPONSE = 0x0701
DLMS_UNITS: dict[int, str] = {27: "W", 28: "VA", 29: "var", 30: "Wh", 33: "A", 35: "V", 44: "Hz"}
MOST_DEPTH = 10
MOST_ELEMENTS = 4000


def body_of(frame: bytes) -> bytes:
    """What a frame carries, from its begin to its end mark. Raises DamagedError where the checksum does not hold."""
    if not frame.startswith(BEGIN) or len(frame) < 16 or frame[-8:-3] != END:
        raise DamagedError("short", "no whole frame")
    padding = frame[-3]
    if crc_x25(frame[:-2]) != int.from_bytes(frame[-2:], "little"):
        raise DamagedError("crc", f"checksum {frame[-2:].hex()} does not hold")
    if padding > 3:
        raise DamagedError("crc", f"{padding} bytes of padding")
    inner = frame[8 : len(frame) - 8]
    out = bytearray()
    while inner:  # an escape within stands twice
        before, mark, inner = inner.partition(ESCAPE)
        out += before + mark
        if mark and not inner.startswith(ESCAPE):
            raise DamagedError("crc", "an escape within the frame")
        inner = inner[len(mark) :]
    return bytes(out[: len(out) - padding])


class _Reader:
    """Type-length fields one after the other."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.place = 0
        self.elements = 0

    def _byte(self) -> int:
        if self.place >= len(self.data):
            raise DamagedError("garbage", "a field runs past the end")
        self.place += 1
        return self.data[self.place - 1]

    def field(self, depth: int = 0) -> Any:
        """bytes, int, bool, list, or None for what is left out."""
        self.elements += 1
        if depth > MOST_DEPTH or self.elements > MOST_ELEMENTS:
            raise DamagedError("garbage", "lists without end")
        head = self._byte()
        if head == 0x00:
            return None
        kind, length, used = head >> 4 & 0x07, head & 0x0F, 1
        while head & 0x80:
            head = self._byte()
            used += 1
            length = length << 4 | head & 0x0F
            if used > 4:
                raise DamagedError("garbage", "a length without end")
        if kind == 7:
            return [self.field(depth + 1) for _ in range(length)]
        size = length - used
        if size < 0 or self.place + size > len(self.data):
            raise DamagedError("garbage", "a field runs past the end")
        raw = self.data[self.place : self.place + size]
        self.place += size
        if kind == 0:
            return raw if size else None
        if kind == 4 and size:
            return any(raw)
        if kind in (5, 6) and 1 <= size <= 8:
            return int.from_bytes(raw, "big", signed=kind == 5)
        raise DamagedError("garbage", f"a field of type {kind} and {size} bytes")


def _messages(body: bytes) -> Iterator[list[Any]]:
    reader = _Reader(body)
    while reader.place < len(body):
        message = reader.field()
        if message is None:
            continue
        if not isinstance(message, list) or len(message) != 6:
            raise DamagedError("garbage", "a message of another shape")
        yield message


def values_of(frame: bytes) -> dict[str, Value]:
    """The numeric entries of every GetList response of a frame, by code A-B:C.D.E. Raises DamagedError."""
    found: dict[str, Value] = {}
    for message in _messages(body_of(frame)):
        choice = message[3]
        if not isinstance(choice, list) or len(choice) != 2 or choice[0] != GET_LIST_RESPONSE:
            continue
        response = choice[1]
        if not isinstance(response, list) or len(response) != 7 or not isinstance(response[4], list):
            raise DamagedError("garbage", "a list response of another shape")
        for entry in response[4]:
            taken = _entry(entry)
            if taken is not None:
                found.setdefault(*taken)
    return found


def _entry(entry: Any) -> tuple[str, Value] | None:
    if not isinstance(entry, list) or len(entry) != 7:
        raise DamagedError("garbage", "a list entry of another shape")
    name, _, _, unit, scaler, value, _ = entry
    if not isinstance(name, bytes) or len(name) != 6 or isinstance(value, bool) or not isinstance(value, int):
        return None
    power = scaler if isinstance(scaler, int) and -12 <= scaler <= 12 else 0 if scaler is None else None
    if power is None or (unit is not None and unit not in DLMS_UNITS):
        return None
    number = float(value) * 10**power if power >= 0 else float(value) / 10**-power
    a, b, c, d, e, _ = name
    return f"{a}-{b}:{c}.{d}.{e}", Value(number, DLMS_UNITS[unit] if unit is not None else None)
