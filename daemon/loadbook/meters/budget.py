"""How much of each interval a serial line needs: request, answer, the meters' own pause, and the silences between.

Pure arithmetic. Source: Modbus over Serial Line Specification V1.02, 2.5.1.1: a frame is followed by at least 3.5
characters of silence; above 19,200 Bd that is fixed at 1.750 ms. It counts 11 bits a character (8N1 without the second
stop bit it asks for has 10; we count what the line is set to).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from loadbook.meters.maps import Block, MeterMap
from loadbook.meters.sunspec import longest_block
from loadbook.settings import Line

REQUEST_CHARS = 8
ANSWER_CHARS = 5
"""Of an answer, besides two for each register: unit, function, byte count, and the two of the checksum."""
FIXED_SILENCE_ABOVE_BD = 19_200
FIXED_SILENCE_S = 0.001750
TIGHT = 0.8
"""Above this share of the interval the start warns: one time-out then makes a neighbour late. Our own choice."""


def char_bits(line: Line) -> int:
    """Bits of one character on the wire: start, data, parity, stop."""
    return 1 + line.data_bits + (0 if line.parity == "N" else 1) + line.stop_bits


def char_s(line: Line) -> float:
    """Time of one character, s."""
    return char_bits(line) / line.baud_bd


def silence_s(line: Line) -> float:
    """The silence that ends a frame (t3.5), s."""
    return FIXED_SILENCE_S if line.baud_bd > FIXED_SILENCE_ABOVE_BD else 3.5 * char_s(line)


def exchange_s(line: Line, count: int) -> float:
    """One question for ``count`` registers and its answer, with the meter's pause and both silences, s."""
    chars = REQUEST_CHARS + ANSWER_CHARS + 2 * count
    return chars * char_s(line) + line.turnaround_s + 2 * silence_s(line)


def blocks_of(meter_map: MeterMap) -> Sequence[Block]:
    """What one reading asks for. A SunSpec meter's block is known once it is found; until then, the longest."""
    if meter_map.registers is not None:
        return meter_map.registers.blocks
    assert meter_map.sunspec is not None
    return (longest_block(meter_map.sunspec),)


@dataclass(frozen=True, slots=True)
class Budget:
    """A line's time on the wire per interval."""

    wire_s: float
    interval_s: float
    readings: int

    @property
    def share(self) -> float:
        """Of the interval; above 1 not every meter can be read each time."""
        return self.wire_s / self.interval_s

    @property
    def most_per_s(self) -> float:
        """Readings a second the wire allows."""
        return self.readings / self.wire_s

    def complaint(self, line: Line, place: int) -> str | None:
        """What to say at start, in one line; None where the line has time enough."""
        if self.share <= TIGHT:
            return None
        return (
            f"line[{place}] ({line.id}): its {self.readings} meters need {self.wire_s:.2f} s on the wire at "
            f"{line.baud_bd} Bd, {self.share:.0%} of the interval of {self.interval_s:g} s; raise baud_bd, split the "
            f"line, or set poller.interval_s to {self.wire_s / TIGHT:.1f} or more"
        )


def budget(line: Line, maps: Iterable[MeterMap], interval_s: float) -> Budget:
    """The budget of a Modbus serial line whose meters have these maps."""
    maps = list(maps)
    wire_s = sum(exchange_s(line, block.count) for meter_map in maps for block in blocks_of(meter_map))
    return Budget(wire_s, interval_s, len(maps))
