"""A meter map: what a meter's registers or telegram fields mean. Checked, with errors that name the key.

Pure: takes TOML text. Turning words into values is ``registers.py``; finding SunSpec models is ``sunspec.py``. A map
has ``[map]``, perhaps ``[accuracy]``, and exactly one of the tables in ``FORMS``, which says how the meter speaks.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from loadbook.checked import Strict, parse_toml
from loadbook.meters.measured import Measured, Unit, check_quantities
from loadbook.meters.telegram_maps import Obis, Sml, Text

TYPES: dict[str, int] = {
    "int16": 1,
    "uint16": 1,
    "int32": 2,
    "uint32": 2,
    "int64": 4,
    "uint64": 4,
    "float32": 2,
    "float64": 4,
}
"""Type of a value: registers it takes."""

TypeName = Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"]
WordOrder = Literal["high_first", "low_first", "high_first_swapped", "low_first_swapped"]
"""Which word of a value comes first; *swapped*: the two bytes of each word change places, too."""
Function = Literal[3, 4]
Address = Annotated[int, Field(ge=0, le=65535)]


class Register(Measured):
    """One quantity in Modbus registers. ``address`` counts from 0, as on the wire."""

    address: Address
    function: Function | None = None
    type: TypeName
    word_order: WordOrder | None = None
    unit: Unit
    scale_address: Address | None = None
    """A register that holds a power of ten (int16), SunSpec's sunssf."""
    absent: tuple[int, ...] = ()
    """Raw values, unsigned, that mean *not measured*. A float that is no number always means that."""


class Block(Strict):
    """Registers read in one request. Quantity: Modbus Application Protocol V1.1b3, 6.3: 1 to 125."""

    function: Function
    address: Address
    count: int = Field(ge=1, le=125)

    @model_validator(mode="after")
    def _inside(self) -> Self:
        if self.address + self.count > 65536:
            raise ValueError(f"the block ends at register {self.address + self.count - 1}; the last there is is 65535")
        return self

    def holds(self, function: int, address: int, count: int) -> bool:
        """Whether registers ``address`` to ``address + count - 1`` of ``function`` lie in it."""
        return function == self.function and self.address <= address and address + count <= self.address + self.count


class Expected(Strict):
    """A register that must hold a value, or the meter is another one than the map is for."""

    function: Function
    address: Address
    value: int = Field(ge=0, le=65535)


class Registers(Strict):
    """A Modbus meter with fixed addresses."""

    word_order: WordOrder = "high_first"
    blocks: tuple[Block, ...] = Field(alias="block", min_length=1)
    quantities: dict[str, Register] = Field(alias="quantity")
    expected: tuple[Expected, ...] = Field(default=(), alias="expect")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        check_quantities(dict(self.quantities))
        functions = {block.function for block in self.blocks}
        for name, register in self.quantities.items():
            if register.function is None and len(functions) > 1:
                raise ValueError(f"quantity {name!r} has no function, and the blocks have several; add function")
            if not self._held(register, register.address, TYPES[register.type]):
                raise ValueError(
                    f"quantity {name!r} at address {register.address} ({TYPES[register.type]} registers) "
                    "is in no block; widen a block or add one"
                )
            if register.scale_address is not None and not self._held(register, register.scale_address, 1):
                raise ValueError(f"quantity {name!r}: scale_address {register.scale_address} is in no block")
        return self

    def function_of(self, register: Register) -> int:
        """The function code a register is read with."""
        return register.function or self.blocks[0].function

    def _held(self, register: Register, address: int, count: int) -> bool:
        return any(block.holds(self.function_of(register), address, count) for block in self.blocks)

    def order_of(self, register: Register) -> WordOrder:
        """Which word of a value comes first."""
        return register.word_order or self.word_order


class Point(Measured):
    """One quantity of a SunSpec model. ``offset`` counts from the register that holds the model's number."""

    offset: int = Field(ge=2, le=65535)
    type: TypeName
    unit: Unit
    scale_offset: int | None = Field(default=None, ge=2)
    absent: tuple[int, ...] = ()


class Model(Strict):
    """The points of one SunSpec model, or of several that share their layout."""

    ids: tuple[int, ...] = Field(min_length=1)
    length: int = Field(ge=1, description="Registers after the two of number and length")
    points: dict[str, Point] = Field(alias="quantity")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        check_quantities(dict(self.points))
        return self


class SunSpec(Strict):
    """A meter that is found through the SunSpec marker."""

    function: Function = 3
    bases: tuple[Address, ...] = (40000, 0, 50000)
    models: tuple[Model, ...] = Field(alias="model", min_length=1)


class Accuracy(Strict):
    """How far the meter may be off, from its sheet. ``class_percent`` of reading, ``fixed_w`` on top."""

    class_percent: float = Field(gt=0, le=20, description="Active power and energy: class, % of reading")
    fixed_w: float = Field(default=0.0, ge=0, description="Active power: fixed part, W")
    voltage_percent: float | None = Field(default=None, gt=0, le=20, description="Voltage, % of reading")
    current_percent: float | None = Field(default=None, gt=0, le=20, description="Current, % of reading")


class Head(Strict):
    """Whom the map is for and where its figures come from."""

    title: str = Field(min_length=1)
    source: str = Field(min_length=1, description="The sheet or standard; or that it is from memory and to be checked")


FORMS: tuple[str, ...] = ("registers", "sunspec", "obis", "sml", "text")
"""Registers and SunSpec are asked over Modbus; the others are telegrams."""


class MeterMap(Strict):
    """A whole map file."""

    map: Head
    accuracy: Accuracy | None = None
    registers: Registers | None = None
    sunspec: SunSpec | None = None
    obis: Obis | None = None
    sml: Sml | None = None
    text: Text | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        given = [form for form in FORMS if getattr(self, form) is not None]
        if len(given) != 1:
            raise ValueError(f"a map has exactly one of the tables {', '.join(FORMS)}; this one has {len(given)}")
        return self

    @property
    def form(self) -> str:
        """The one of ``FORMS`` this map has."""
        return next(form for form in FORMS if getattr(self, form) is not None)


def parse_map(text: str, name: str) -> MeterMap:
    """A meter map from the text of its file. ``name`` is the file's name, for errors. Raises InputError."""
    return parse_toml(text, MeterMap, name)
