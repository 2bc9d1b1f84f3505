"""Finding SunSpec models, and the shipped map against the models' own definitions."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pytest
import sunspec2
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.clock import Clock
from loadbook.files import load_map
from loadbook.meters.maps import Block, Registers
from loadbook.meters.registers import WrongRegistersError, decode
from loadbook.meters.simulated import SimulatedMeter
from loadbook.meters.sunspec import NotFoundError, find

from tests.meters.conftest import player

MODELS = Path(str(sunspec2.__file__)).parent / "models" / "json"
POINTS = {
    "current_a": "A",
    "voltage_v": "PhV",
    "frequency_hz": "Hz",
    "power_w": "W",
    "apparent_power_va": "VA",
    "reactive_power_var": "VAR",
    "power_factor": "PF",
    "energy_wh": "TotWhImp",
}
UNIT = {"%": "Pct", "1": "PF"}


def spec():
    found = load_map("sunspec", Path()).sunspec
    assert found
    return found


@pytest.mark.parametrize("number", [201, 202, 203, 204, 211, 212, 213, 214])
def test_offsets_types_and_units_are_those_of_the_standard(number: int) -> None:
    """Source: sunspec2/models/json of pysunspec2 1.3.7 (Apache-2.0), the SunSpec Alliance's own model files."""
    offset, defined = 0, {}
    for point in json.loads((MODELS / f"model_{number}.json").read_text())["group"]["points"]:
        defined[point["name"]] = (offset, point)
        offset += point["size"]
    (model,) = [m for m in spec().models if number in m.ids]
    assert model.length == offset - 2
    assert set(model.points) == set(POINTS)
    for name, point in model.points.items():
        place, theirs = defined[POINTS[name]]
        assert point.offset == place
        assert point.type == theirs["type"].replace("acc32", "uint32")
        assert UNIT.get(point.unit, point.unit) == theirs["units"]
        if "sf" in theirs:
            assert point.scale_offset == defined[theirs["sf"]][0]
        else:
            assert point.scale_offset is None


def search(cells: dict[tuple[int, int], int]) -> Registers:
    """Walk a register image the way the poller does."""

    def read(block: Block) -> Sequence[int] | None:
        places = [(block.function, block.address + i) for i in range(block.count)]
        return [cells[p] for p in places] if all(p in cells for p in places) else None

    walk = find(spec())
    answer = None
    try:
        block = next(walk)
        while True:
            answer = read(block)
            block = walk.send(answer)
    except StopIteration as found:
        return found.value


def words_of(registers: Registers, cells: dict[tuple[int, int], int]) -> list[list[int]]:
    return [[cells[b.function, b.address + i] for i in range(b.count)] for b in registers.blocks]


VALUES = {
    "power_w": 2056.0,
    "voltage_v": 229.4,
    "current_a": 8.96,
    "frequency_hz": 49.98,
    "power_factor": 0.98,
    "energy_wh": 12345.0,
    "apparent_power_va": 2098.0,
    "reactive_power_var": -417.0,
}


@pytest.mark.parametrize("base", [40000, 0, 50000])
@pytest.mark.parametrize("model", [201, 211])
def test_a_model_is_found_and_read(base: int, model: int) -> None:
    meter = SimulatedMeter(1, load_map("sunspec", Path()), player(Clock()), model=model, base=base)
    cells = meter.cells(VALUES)
    registers = search(cells)
    assert registers.blocks[0].address == base + 70
    assert len(registers.blocks) == 1
    assert decode(registers, words_of(registers, cells)) == pytest.approx(VALUES)


def test_the_reference_reader_reads_the_same() -> None:
    """pysunspec2 itself, on the same registers, agrees (its power factor is in percent there)."""
    import sunspec2.device as reference  # noqa: PLC0415

    meter = SimulatedMeter(1, load_map("sunspec", Path()), player(Clock()), model=201)
    cells = meter.cells(VALUES)
    data = b"".join(cells[3, 40070 + i].to_bytes(2, "big") for i in range(107))
    model = reference.Model(201, data=data, model_len=105)
    for name, point in POINTS.items():
        theirs = getattr(model, point).cvalue
        assert theirs == pytest.approx(VALUES[name] * (100 if name == "power_factor" else 1)), name


def test_what_is_not_implemented_is_not_read() -> None:
    meter = SimulatedMeter(1, load_map("sunspec", Path()), player(Clock()), model=201)
    cells = meter.cells({"power_w": 5.0})
    registers = search(cells)
    assert decode(registers, words_of(registers, cells)) == {"power_w": 5.0}
    meter = SimulatedMeter(1, load_map("sunspec", Path()), player(Clock()), model=211)
    cells = meter.cells({"power_w": 5.0})
    registers = search(cells)
    # acc32 0 is ambiguous in model 201; a float of 0 is not, and the unimplemented ones are NaN
    assert decode(registers, words_of(registers, cells)) == {"power_w": 5.0}


def test_another_meter_behind_the_same_port_is_noticed() -> None:
    map_ = load_map("sunspec", Path())
    first = SimulatedMeter(1, map_, player(Clock()), model=201)
    other = SimulatedMeter(1, map_, player(Clock()), model=211)
    registers = search(first.cells(VALUES))
    with pytest.raises(WrongRegistersError):
        decode(registers, words_of(registers, other.cells(VALUES)))


def test_no_marker_and_no_known_model_are_told_apart() -> None:
    with pytest.raises(NotFoundError, match="no SunS marker at 40000, 0, 50000"):
        search({})
    cells = {(3, 40000 + i): w for i, w in enumerate([0x5375, 0x6E53, 1, 1, 0, 103, 1, 0, 0xFFFF, 0])}
    with pytest.raises(NotFoundError, match="models 1, 103, none of which the map knows"):
        search(cells)


def test_a_meter_that_answers_nonsense_does_not_hold_us_for_ever() -> None:
    cells = {(3, a): 1 for a in range(40000, 65536)}
    cells[3, 40000], cells[3, 40001] = 0x5375, 0x6E53
    with pytest.raises(NotFoundError):
        search(cells)


@given(st.data())
@settings(max_examples=200)
def test_any_registers_end_the_search(data: st.DataObject) -> None:
    """Whatever a meter answers, the search ends, asks only for registers there are, and raises only what it says."""
    words = st.one_of(st.integers(0, 0xFFFF), st.sampled_from([1, 66, 105, 124, 201, 211, 0xFFFF]))
    walk = find(spec())
    asked = 0
    try:
        block = next(walk)
        while True:
            asked += 1
            assert block.address + block.count <= 65536
            marker = block.address in spec().bases and data.draw(st.booleans())
            answer = [0x5375, 0x6E53] if marker else data.draw(st.one_of(st.none(), st.tuples(words, words)))
            block = walk.send(answer)
    except StopIteration as found:
        assert found.value.blocks[0].count <= 125
    except NotFoundError:
        pass
    assert asked <= 3 * 62
