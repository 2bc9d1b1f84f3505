"""The conversation of IEC 62056-21 mode C, as bytes: request, identification, acknowledgement. Pure.

Source: IEC 62056-21, 6.3 and 6.4.5: opened at 300 Bd, 7E1; the meter names a speed, we confirm it, both change over.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from loadbook.meters.telegrams.checks import DamagedError

OPENING_BD = 300
SPEEDS_BD: dict[str, int] = {"0": 300, "1": 600, "2": 1200, "3": 2400, "4": 4800, "5": 9600, "6": 19200}
"""Baud rate identification, protocol mode C."""
CHANGE_OVER_S = 0.3
"""Reaction time: at least 0.2 s pass between two messages; the change of speed falls into it."""
ANSWER_S = 1.5
"""An answer begins within 1.5 s."""

_IDENT = re.compile(rb"/([A-Za-z]{3})([0-9A-Z])((?:\\[^/!\r\n])?)([^/!\r\n]{0,16})\r\n")


@dataclass(frozen=True, slots=True)
class Identification:
    """What a meter says of itself: three letters of its maker, the speed it offers, its type."""

    maker: str
    speed: str
    type: str

    @property
    def speed_bd(self) -> int:
        """Raises DamagedError where it offers no speed of mode C."""
        if self.speed not in SPEEDS_BD:
            raise DamagedError("not_found", f"the meter offers speed {self.speed!r}, which mode C does not have")
        return SPEEDS_BD[self.speed]


def request(address: str = "") -> bytes:
    """The request message; an empty address asks whoever is there."""
    return f"/?{address}!\r\n".encode("ascii")


def identification(data: bytes) -> Identification | None:
    """The identification, wherever in ``data`` it stands; None while it is not whole."""
    match = _IDENT.search(data)
    if match is None:
        return None
    maker, speed, _, kind = match.groups()
    return Identification(maker.decode(), speed.decode(), kind.decode("ascii", "replace"))


def acknowledgement(speed: str) -> bytes:
    """Confirms the speed and asks for the data readout (protocol control 0, mode control 0)."""
    return b"\x06" + f"0{speed}0\r\n".encode("ascii")
