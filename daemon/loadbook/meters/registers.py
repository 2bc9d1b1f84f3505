"""Register words into values, and back. Pure: no wire, no clock.

A register is 16 bits, an int of 0 to 65535. ``words`` are the answers to a map's blocks, in the order of the blocks.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence

from loadbook.meters.maps import TYPES, Register, Registers, WordOrder

_CODES = {
    "int16": ">h",
    "uint16": ">H",
    "int32": ">i",
    "uint32": ">I",
    "int64": ">q",
    "uint64": ">Q",
    "float32": ">f",
    "float64": ">d",
}
_KEPT_DECIMALS = 6
"""A float32 carries about seven digits and 2301 x 0.1 is not 230.1 in binary: what lies below is dust."""

NO_SCALE = 0x8000
"""SunSpec: a scale factor that is not implemented; the value then stands as it is (as pysunspec2 reads it)."""


class WrongRegistersError(Exception):
    """The words cannot be those the map describes: another number of them, or not the expected meter."""


def join(words: Sequence[int], order: WordOrder) -> bytes:
    """The bytes of a value, most significant first."""
    return struct.pack(f"{_byte_order(order)}{len(words)}H", *_ordered(words, order))


def _ordered(words: Sequence[int], order: WordOrder) -> list[int]:
    return list(words if order.startswith("high") else reversed(words))


def _byte_order(order: WordOrder) -> str:
    return "<" if order.endswith("swapped") else ">"


def _words(packed: bytes, order: WordOrder) -> list[int]:
    return _ordered(struct.unpack(f"{_byte_order(order)}{len(packed) // 2}H", packed), order)


def split(value: float, type_name: str, order: WordOrder) -> list[int]:
    """The words of a value. An integer type takes the nearest integer. Raises OverflowError when it does not fit."""
    code = _CODES[type_name]
    try:
        packed = struct.pack(code, value if code[1] in "fd" else round(value))
    except struct.error as bad:
        raise OverflowError(f"{value} does not fit {type_name}") from bad
    return _words(packed, order)


class Image:
    """All registers one tick has read, by function code and address."""

    def __init__(self, registers: Registers, words: Sequence[Sequence[int]]) -> None:
        """Raises WrongRegistersError when an answer is longer or shorter than its block."""
        if len(words) != len(registers.blocks):
            raise WrongRegistersError(f"{len(words)} answers to {len(registers.blocks)} questions")
        self._cells: dict[tuple[int, int], int] = {}
        for block, answer in zip(registers.blocks, words, strict=True):
            if len(answer) != block.count:
                raise WrongRegistersError(f"{len(answer)} registers where {block.count} were asked for")
            for place, word in enumerate(answer):
                self._cells[block.function, block.address + place] = word

    def words(self, function: int, address: int, count: int) -> list[int]:
        """``count`` words from ``address`` on."""
        return [self._cells[function, address + place] for place in range(count)]


def _value(registers: Registers, register: Register, image: Image) -> float | None:
    function = registers.function_of(register)
    words = image.words(function, register.address, TYPES[register.type])
    packed = join(words, registers.order_of(register))
    if int.from_bytes(packed, "big") in register.absent:
        return None
    exponent = 0
    if register.scale_address is not None:
        (power,) = image.words(function, register.scale_address, 1)
        exponent = 0 if power == NO_SCALE else power - 0x10000 if power > 0x7FFF else power
        if not -10 <= exponent <= 10:  # SunSpec: sunssf is -10 to 10; anything else is no scale factor
            return None
    raw: float = struct.unpack(_CODES[register.type], packed)[0]
    value = raw * register.factor * 10.0**exponent
    return round(value, _KEPT_DECIMALS) if math.isfinite(value) else None


def decode(registers: Registers, words: Sequence[Sequence[int]]) -> dict[str, float]:
    """Values by quantity in our units; one the meter does not measure is left out. Raises WrongRegistersError."""
    image = Image(registers, words)
    for expected in registers.expected:
        if image.words(expected.function, expected.address, 1) != [expected.value]:
            raise WrongRegistersError(f"register {expected.address} does not hold {expected.value}")
    values = {name: _value(registers, register, image) for name, register in registers.quantities.items()}
    return {name: value for name, value in values.items() if value is not None}


def encode(
    registers: Registers, values: Mapping[str, float], exponents: Mapping[str, int]
) -> dict[tuple[int, int], int]:
    """The other way, for the simulated meter: words by (function, address). A quantity that ``values`` does not have
    reads as the map's first ``absent`` value, else as NaN or 0. ``exponents`` gives the power of ten of a quantity
    with a ``scale_address``. A value the type cannot hold saturates, as a meter's does."""
    cells: dict[tuple[int, int], int] = {(e.function, e.address): e.value for e in registers.expected}
    for name, register in registers.quantities.items():
        function, order = registers.function_of(register), registers.order_of(register)
        factor = register.factor
        if register.scale_address is not None:
            exponent = exponents.get(name, 0)
            cells[function, register.scale_address] = exponent & 0xFFFF
            factor *= 10.0**exponent
        value = values.get(name)
        if value is None or value != value:
            words = _absent(register, order)
        else:
            words = split(_saturated(value / factor, register.type), register.type, order)
        cells.update({(function, register.address + place): word for place, word in enumerate(words)})
    return cells


def _absent(register: Register, order: WordOrder) -> list[int]:
    count = TYPES[register.type]
    if register.absent:
        return _words(register.absent[0].to_bytes(2 * count, "big"), order)
    return split(math.nan if register.type.startswith("float") else 0, register.type, order)


def _saturated(raw: float, type_name: str) -> float:
    if type_name.startswith("float"):
        return raw
    bits = 16 * TYPES[type_name]
    low, high = (0, 2**bits - 1) if type_name.startswith("u") else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    return float(min(max(round(raw), low), high))
