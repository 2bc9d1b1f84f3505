"""What a line does to a simulated meter's answers when told to misbehave. Pure but for its own list of orders."""

from __future__ import annotations

import random
import threading
from dataclasses import dataclass

from loadbook.meters.frames import crc

KINDS: tuple[str, ...] = (
    "crc",
    "garbage",
    "noise",
    "short",
    "wrong_unit",
    "wrong_count",
    "exception",
    "silence",
    "late",
)
"""``noise`` puts rubbish before and after a good answer; the others leave no good answer in time."""

Pieces = list[tuple[float, bytes]]
"""What comes out, as (delay in s, bytes)."""


@dataclass(slots=True)
class _Order:
    kind: str
    unit_id: int | None
    left: int | None
    delay_s: float
    code: int


class Faults:
    """Orders given by the test, carried out in the order given, each for its number of answers."""

    def __init__(self, seed: int = 1) -> None:
        self._orders: list[_Order] = []
        self._lock = threading.Lock()
        self._random = random.Random(seed)

    def order(
        self, kind: str, *, unit_id: int | None = None, times: int | None = 1, delay_s: float = 0.5, code: int = 4
    ) -> None:
        """Spoil the next ``times`` answers (None: until ``behave``), of one unit or of any. ``delay_s`` is for
        ``late``, ``code`` for ``exception``. Raises ValueError for another kind."""
        if kind not in KINDS:
            raise ValueError(f"{kind!r} is none of {', '.join(KINDS)}")
        with self._lock:
            self._orders.append(_Order(kind, unit_id, times, delay_s, code))

    def behave(self) -> None:
        """Forget all orders."""
        with self._lock:
            self._orders.clear()

    def spoil(self, frame: bytes) -> tuple[str | None, Pieces]:
        """What becomes of an RTU answer: the kind of fault, and what comes out."""
        order = self._next(frame[0])
        if order is None:
            return None, [(0.0, frame)]
        body, noise = frame[:-2], self._random.randbytes(1 + self._random.randrange(40))
        spoiled: dict[str, Pieces] = {
            "crc": [(0.0, body[:-1] + bytes((body[-1] ^ 0x10,)) + frame[-2:])],
            "garbage": [(0.0, noise)],
            "noise": [(0.0, b"\x00\xff" + frame + b"\x00")],
            "short": [(0.0, frame[: max(1, len(frame) // 2)])],
            "wrong_unit": [(0.0, _closed(bytes((frame[0] % 247 + 1,)) + body[1:]))],
            "wrong_count": [(0.0, _closed(body[:2] + bytes((body[2] - 2,)) + body[3:-2]))],
            "exception": [(0.0, _closed(bytes((frame[0], frame[1] | 0x80, order.code))))],
            "silence": [],
            "late": [(order.delay_s, frame)],
        }
        return order.kind, spoiled[order.kind]

    def spoil_tcp(self, packet: bytes) -> tuple[str | None, Pieces]:
        """The same for an answer with a TCP head of 7 bytes (no checksum there: what damages bits is plain silence)."""
        order = self._next(packet[6])
        if order is None:
            return None, [(0.0, packet)]
        spoiled: dict[str, Pieces] = {
            "late": [(order.delay_s, packet)],
            "exception": [(0.0, packet[:4] + b"\x00\x03" + bytes((packet[6], packet[7] | 0x80, order.code)))],
            "wrong_unit": [(0.0, packet[:6] + bytes((packet[6] % 247 + 1,)) + packet[7:])],
            "short": [(0.0, packet[: len(packet) // 2])],
        }
        return order.kind, spoiled.get(order.kind, [])

    def _next(self, unit_id: int) -> _Order | None:
        with self._lock:
            for order in self._orders:
                if order.unit_id in (None, unit_id):
                    if order.left is not None:
                        order.left -= 1
                        if order.left == 0:
                            self._orders.remove(order)
                    return order
        return None


def _closed(body: bytes) -> bytes:
    return body + crc(body)
