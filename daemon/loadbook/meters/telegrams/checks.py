"""Checksums of telegrams, and what is raised when one does not hold. Pure."""

from __future__ import annotations

from functools import reduce
from operator import xor


class DamagedError(Exception):
    """A telegram that gives no values. ``reason`` is a key of ``GAP_REASONS``; ``str()`` says more."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason


def _crc16(data: bytes, start: int, polynomial: int) -> int:
    value = start
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ polynomial if value & 1 else value >> 1
    return value


def crc_arc(data: bytes) -> int:
    """CRC-16/ARC: P1 telegrams, from "/" to "!" inclusive. Source: P1 Companion Standard (DSMR), 5.2."""
    return _crc16(data, 0x0000, 0xA001)


def crc_x25(data: bytes) -> int:
    """CRC-16/X-25: SML frames (BSI TR-03109-1, annex), DIN EN 62056-46."""
    return _crc16(data, 0xFFFF, 0x8408) ^ 0xFFFF


def block_check(data: bytes) -> int:
    """The XOR of all bytes: IEC 62056-21's block check character (ISO 1155), over what follows SOH or STX up to and
    including ETX."""
    return reduce(xor, data, 0)


def without_parity(data: bytes, odd: bool = False) -> bytes:
    """Characters of 7 bits and parity, received as 8 bits, checked and stripped: a UART set to 7 bits would hide a
    wrong parity. Raises DamagedError."""
    for byte in data:
        if byte.bit_count() % 2 != int(odd):
            raise DamagedError("crc", f"character {byte:02x} has the wrong parity")
    return bytes(byte & 0x7F for byte in data)


def with_parity(data: bytes) -> bytes:
    """7-bit characters with even parity in the eighth bit, as they go over the wire."""
    return bytes(byte | (byte.bit_count() % 2) << 7 for byte in data)
