"""Maps of meters that send telegrams or lines of text: which field is which quantity. Pure."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from loadbook.checked import Strict
from loadbook.meters.measured import Measured, Unit, check_quantities

Code = Annotated[str, Field(pattern=r"^(\d{1,3}-\d{1,3}:)?\d{1,3}\.\d{1,3}\.\d{1,3}$")]
"""An OBIS code, A-B:C.D.E or C.D.E (any A and B). Source: IEC 62056-61."""

Interval = Annotated[float, Field(gt=0, le=3600)]


class CodedQuantity(Measured):
    """A quantity by its OBIS code. The telegram states the unit; ``unit`` stands in where it does not. ``plus`` is a
    second code to add (the other tariff's counter), ``minus`` one to take off (what was fed back)."""

    code: Code
    plus: Code | None = None
    minus: Code | None = None


class Obis(Strict):
    """Readable telegrams with OBIS codes: P1, or IEC 62056-21."""

    framing: Literal["p1", "sign_on", "push"] = Field(
        description="p1: /...!CRC; sign_on: IEC 62056-21 mode C, asked; push: its mode D, sent by itself"
    )
    interval_s: Interval = Field(default=1.0, description="A telegram comes, or is asked for, this often, s")
    crc: bool = Field(default=True, description="p1: telegrams end in a CRC; false for the oldest meters")
    quantities: dict[str, CodedQuantity] = Field(alias="quantity")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        check_quantities(self.quantities)
        return self


class Sml(Strict):
    """SML frames, sent by the meter."""

    interval_s: Interval = Field(default=1.0, description="A frame comes this often, s")
    quantities: dict[str, CodedQuantity] = Field(alias="quantity")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        check_quantities(self.quantities)
        return self


class TextQuantity(Measured):
    """A quantity in a line of text: the number of its column, from 1, or its key (a.b reaches into an object)."""

    column: int | None = Field(default=None, ge=1, le=200)
    key: str | None = None
    unit: Unit


class Text(Strict):
    """A module that prints a line per reading."""

    format: Literal["delimited", "json"]
    separator: str = Field(default=",", min_length=1, max_length=3, description="delimited: between columns")
    decimal: Literal[".", ","] = Field(default=".", description="delimited: the decimal sign")
    columns: int | None = Field(
        default=None, ge=1, le=200, description="delimited: how many; a line with others is damaged"
    )
    starts: str = Field(default="", description="Only lines that begin so are readings; the others are let pass")
    checksum: Literal["none", "xor"] = Field(
        default="none", description="xor: the line ends in * and two hexadecimal digits, the XOR of all before the *"
    )
    interval_s: Interval = Field(default=1.0, description="A line comes this often, s")
    quantities: dict[str, TextQuantity] = Field(alias="quantity")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        check_quantities(self.quantities)
        wanted, other = ("key", "column") if self.format == "json" else ("column", "key")
        for name, quantity in self.quantities.items():
            if getattr(quantity, wanted) is None or getattr(quantity, other) is not None:
                raise ValueError(f"quantity {name!r} needs {wanted} and not {other} in a {self.format} line")
            if self.columns is not None and quantity.column is not None and quantity.column > self.columns:
                raise ValueError(f"quantity {name!r} is in column {quantity.column} of {self.columns}")
        return self
