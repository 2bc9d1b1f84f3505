"""Maps and words: what a shipped map makes of registers, and that nothing else comes out."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from loadbook.errors import InputError
from loadbook.files import load_map, share
from loadbook.meters.maps import TYPES, Registers, parse_map
from loadbook.meters.measured import UNITS
from loadbook.meters.registers import WrongRegistersError, decode, encode, join, split
from loadbook.reading import QUANTITY_BY_NAME

MAP = """
[map]
title = "t"
source = "s"
[registers]
[[registers.block]]
function = 4
address = 0
count = 4
[registers.quantity]
power_w = { address = 0, type = "float32", unit = "W" }
voltage_v = { address = 2, type = "uint16", scale = 0.1, unit = "V" }
"""


def registers(text: str = MAP) -> Registers:
    found = parse_map(text, "m.toml").registers
    assert found
    return found


def test_floats_of_ieee_754() -> None:
    """Values calculated from IEEE 754: 230.0 = 4366 0000, 50.0 = 4248 0000, 2056.0 = 4500 8000, 0.98 = 3F7A E148."""
    for value, words in {
        230.0: [0x4366, 0x0000],
        50.0: [0x4248, 0x0000],
        2056.0: [0x4500, 0x8000],
        0.98: [0x3F7A, 0xE148],
    }.items():
        assert split(value, "float32", "high_first") == words
        assert split(value, "float32", "low_first") == words[::-1]
        swapped = [word >> 8 | (word & 0xFF) << 8 for word in words]
        assert split(value, "float32", "high_first_swapped") == swapped
        assert split(value, "float32", "low_first_swapped") == swapped[::-1]


def test_the_float_map_reads_its_registers() -> None:
    m = load_map("float32-big-endian", Path()).registers
    assert m
    words = [0x4366, 0, 0x410F, 0x5C29, 0x4500, 0x8000, 0x4500, 0x8000, 0, 0, 0x3F7A, 0xE148, 0x4248, 0, 0x3F80, 0]
    assert decode(m, [words]) == {
        "voltage_v": 230.0,
        "current_a": pytest.approx(8.96),
        "power_w": 2056.0,
        "apparent_power_va": 2056.0,
        "reactive_power_var": 0.0,
        "power_factor": 0.98,
        "frequency_hz": 50.0,
        "energy_wh": 1000.0,
    }


def test_the_scaled_map_reads_low_words_first() -> None:
    m = load_map("scaled16-low-word-energy", Path()).registers
    assert m
    words = [2301, 8957, 0, 20604, 0, 0x2345, 0x0001, 500, 98]
    assert decode(m, [words]) == {
        "voltage_v": 230.1,
        "current_a": 8.957,
        "power_w": 2060.4,
        "energy_wh": 0x12345,
        "frequency_hz": 50.0,
        "power_factor": 0.98,
    }


def test_what_is_no_number_is_not_read() -> None:
    assert decode(registers(), [[0x7FC0, 0, 2300, 0]]) == {"voltage_v": 230.0}
    assert decode(registers(), [[0x7F80, 0, 2300, 0]]) == {"voltage_v": 230.0}


def test_another_number_of_words_is_refused() -> None:
    for words in ([[1, 2, 3]], [[1, 2, 3, 4, 5]], [], [[1, 2, 3, 4], [1]]):
        with pytest.raises(WrongRegistersError):
            decode(registers(), words)


@given(st.lists(st.integers(0, 0xFFFF), max_size=8))
def test_any_words_give_finite_values_or_a_refusal(words: list[int]) -> None:
    try:
        values = decode(registers(), [words])
    except WrongRegistersError:
        assert len(words) != 4
    else:
        assert all(math.isfinite(v) for v in values.values())


@given(
    st.sampled_from(sorted(TYPES)),
    st.integers(-(2**15), 2**63),
    st.sampled_from(["high_first", "low_first", "high_first_swapped", "low_first_swapped"]),
)
def test_words_of_a_value_give_it_back(type_name: str, value: int, order: str) -> None:
    bits = 16 * TYPES[type_name]
    if type_name.startswith("float"):
        value %= 2**20
    elif type_name.startswith("uint"):
        value %= 2**bits
    else:
        value = value % 2**bits - 2 ** (bits - 1)
    words = split(value, type_name, order)  # type: ignore[arg-type]
    packed = join(words, order)  # type: ignore[arg-type]
    assert len(words) == TYPES[type_name]
    if not type_name.startswith("float"):
        assert int.from_bytes(packed, "big", signed=type_name.startswith("int")) == value


@given(
    st.floats(0, 3500),
    st.floats(180, 260),
    st.floats(0, 16),
    st.sampled_from(["float32-big-endian", "scaled16-low-word-energy"]),
)
def test_a_shipped_map_gives_back_what_was_encoded(power: float, volts: float, amps: float, name: str) -> None:
    m = load_map(name, Path()).registers
    assert m
    cells = encode(m, {"power_w": power, "voltage_v": volts, "current_a": amps}, {})
    block = m.blocks[0]
    words = [cells.get((block.function, block.address + i), 0) for i in range(block.count)]
    values = decode(m, [words])
    assert values["power_w"] == pytest.approx(power, abs=0.051, rel=1e-6)
    assert values["voltage_v"] == pytest.approx(volts, abs=0.051)
    assert values["current_a"] == pytest.approx(amps, abs=0.00051)


@pytest.mark.parametrize("path", sorted(share("config", "meters").glob("*.toml")), ids=lambda p: p.stem)
def test_every_shipped_map_is_sound(path: Path) -> None:
    assert load_map(path.stem, Path()).form


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("power_w =", "powr_w ="), "'powr_w' is none of power_w"),
        (('unit = "W"', 'unit = "V"'), "cannot be in 'V'; it takes W, kW"),
        (('unit = "W"', 'unit = "Watt"'), "registers.quantity.power_w.unit"),
        (("count = 4", "count = 126"), "block[1].count"),
        (("count = 4", "count = 2"), "'voltage_v' at address 2 (1 registers) is in no block"),
        (("function = 4", "function = 5"), "function"),
        (("scale = 0.1", "scale = 0"), "scale is 0"),
        (("scale = 0.1", "skale = 0.1"), "skale: no such key"),
        (("[registers]", "[register]"), "register: no such key"),
        (("power_w =", "current_a ="), "cannot be in 'W'"),
    ],
)
def test_a_bad_map_is_refused_in_one_line(change: tuple[str, str], says: str) -> None:
    with pytest.raises(InputError) as bad:
        parse_map(MAP.replace(*change), "m.toml")
    assert says in str(bad.value)
    assert "\n" not in str(bad.value)
    assert str(bad.value).startswith("m.toml: ")


def test_a_map_that_is_not_there_names_those_that_are() -> None:
    with pytest.raises(InputError, match=r"no such meter map; there are .*sunspec"):
        load_map("nothing", Path())


def test_units_reach_every_quantity() -> None:
    assert {q.unit for q in QUANTITY_BY_NAME.values()} == {base for base, _ in UNITS.values()}


def test_a_map_may_say_how_far_the_meter_may_be_off() -> None:
    accuracy = parse_map(MAP + "[accuracy]\nclass_percent = 1.0\nfixed_w = 0.5\n", "m.toml").accuracy
    assert accuracy
    assert (accuracy.class_percent, accuracy.fixed_w, accuracy.voltage_percent) == (1.0, 0.5, None)
    assert parse_map(MAP, "m.toml").accuracy is None
    with pytest.raises(InputError, match=r"accuracy\.class_percent: is missing"):
        parse_map(MAP + "[accuracy]\nfixed_w = 0.5\n", "m.toml")
    with pytest.raises(InputError, match=r"accuracy\.class_percent"):
        parse_map(MAP + "[accuracy]\nclass_percent = 50\n", "m.toml")
