"""Finding a SunSpec meter's model behind the ``SunS`` marker, and turning it into a plain register map.

Pure: ``find`` is a generator that yields the block it wants read and is sent the words (or None: the meter refused).
Source: SunSpec Device Information Model Specification; base addresses and model layouts as in pysunspec2 1.3.7
(``sunspec2/models/json``), against which the tests check the shipped map.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence

from loadbook.meters.maps import TYPES, Block, Expected, Model, Register, Registers, SunSpec

MARKER = (0x5375, 0x6E53)
"""``SunS`` in two registers."""
END_MODEL = 0xFFFF
MOST_MODELS = 60
"""A meter with more models than this is not believed: it is answering nonsense."""


class NotFoundError(Exception):
    """No marker, or none of the map's models behind it. ``str()`` says what was there instead."""


def find(spec: SunSpec) -> Generator[Block, Sequence[int] | None, Registers]:
    """Look for the marker at each base address and walk the models behind it. Returns the register map of the first
    model the map knows. Raises NotFoundError."""
    seen: list[int] = []
    for base in spec.bases:
        words = yield Block(function=spec.function, address=base, count=2)
        if words is None or tuple(words) != MARKER:
            continue
        address = base + 2
        for _ in range(MOST_MODELS):
            if address + 1 > 65535:
                break
            head = yield Block(function=spec.function, address=address, count=2)
            if head is None or head[0] == END_MODEL:
                break
            number, length = head
            seen.append(number)
            if address + 2 + length > 65536:
                break
            for model in spec.models:
                if number in model.ids and length >= model.length:
                    return resolve(spec, model, address, number, length)
            address += 2 + length
    if seen:
        raise NotFoundError(f"models {', '.join(map(str, seen))}, none of which the map knows")
    raise NotFoundError("no SunS marker at " + ", ".join(map(str, spec.bases)))


def _span(model: Model) -> int:
    """Registers from a model's number to the last one the map uses."""
    ends = [p.offset + TYPES[p.type] for p in model.points.values()]
    return max(ends + [p.scale_offset + 1 for p in model.points.values() if p.scale_offset is not None])


def longest_block(spec: SunSpec) -> Block:
    """The longest block a reading may take, whichever model is found."""
    return Block(function=spec.function, address=0, count=max(_span(model) for model in spec.models))


def resolve(spec: SunSpec, model: Model, address: int, number: int, length: int) -> Registers:
    """A model found at ``address`` as a plain register map. Its number and length are read along with every reading
    and must stay what they were, so that another meter behind the same port is noticed."""
    quantities = {
        name: Register(
            address=address + point.offset,
            type=point.type,
            unit=point.unit,
            scale=point.scale,
            scale_address=None if point.scale_offset is None else address + point.scale_offset,
            absent=point.absent,
        )
        for name, point in model.points.items()
    }
    return Registers(
        block=(Block(function=spec.function, address=address, count=_span(model)),),
        quantity=quantities,
        expect=(
            Expected(function=spec.function, address=address, value=number),
            Expected(function=spec.function, address=address + 1, value=length),
        ),
    )
