"""What a poller sends: readings, gaps and clock steps of one meter, as a SenML pack with sequence numbers. Pure.

Beside the measured quantities a pack has records of our own: ``session`` (one run of a poller), ``oldest`` (the lowest
sequence number the poller still holds), ``holds`` (all the sessions of which it may still send something), ``boot`` and
``uptime`` (the board's boot id and monotonic time at the base time), ``clock_set`` (whether the board's clock was known
to be right); and per entry ``sequence``, with ``gap`` for a
tick without a reading, or ``clock_step`` and ``clock_step_from`` for readings that have to be moved in time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from loadbook.reading import QUANTITIES, Reading
from loadbook.transport.senml import RELATIVE_BELOW_S, Record, SenmlError, dump, parse

_BY_SENML_NAME = {q.senml_name: q for q in QUANTITIES}
EARLIEST_MS = 1_577_836_800_000
"""2020-01-01: no reading is stamped earlier, so that no time is taken for a relative one."""
LATEST_MS = 32_503_680_000_000
"""The year 3000."""


@dataclass(frozen=True, slots=True)
class Step:
    """The board's clock was set: all of the meter's readings since ``from_ms`` belong ``by_ms`` later."""

    from_ms: int
    by_ms: int


@dataclass(frozen=True, slots=True)
class Unreadable:
    """An entry whose number is known and whose meaning is not; another program's, as a rule."""

    why: str


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing a poller has to say of a meter: a reading, a gap's reason, or a step of the clock."""

    sequence: int
    at_ms: int
    what: Reading | str | Step | Unreadable


@dataclass(frozen=True, slots=True)
class Pack:
    """A stretch of one meter's entries, in order, without a hole."""

    meter: str
    session: str
    oldest: int
    entries: tuple[Entry, ...]
    clock_set: bool = True
    boot: str = ""
    uptime_ms: int | None = None
    holds: frozenset[str] = frozenset()
    """Empty: the sender does not say."""


def base_name(site: str, meter: str) -> str:
    """The SenML base name of a meter."""
    return f"loadbook/{site}/{meter}/"


def _measured(reading: Reading) -> list[dict[str, Any]]:
    found = []
    for quantity in QUANTITIES:
        value = getattr(reading, quantity.name)
        if value is not None:
            value = round(round(value, quantity.decimals) * quantity.senml_factor, quantity.decimals)
            found.append({"n": quantity.senml_name, "u": quantity.senml_unit, "v": value})
    return found


def encode(site: str, pack: Pack) -> str:
    """A pack as SenML JSON. It has at least one entry."""
    base_ms = pack.entries[0].at_ms
    records: list[tuple[int, dict[str, Any]]] = [
        (base_ms, {"n": "session", "vs": pack.session}),
        (base_ms, {"n": "oldest", "v": pack.oldest}),
        (base_ms, {"n": "clock_set", "vb": pack.clock_set}),
    ]
    if pack.holds:
        records.append((base_ms, {"n": "holds", "vs": " ".join(sorted(pack.holds))}))
    if pack.boot:
        records.append((base_ms, {"n": "boot", "vs": pack.boot}))
    if pack.uptime_ms is not None:
        records.append((base_ms, {"n": "uptime", "u": "s", "v": pack.uptime_ms / 1000}))
    for entry in pack.entries:
        records.append((entry.at_ms, {"n": "sequence", "v": entry.sequence}))
        if isinstance(entry.what, Reading):
            records += [(entry.at_ms, fields) for fields in _measured(entry.what)]
        elif isinstance(entry.what, Step):
            records.append((entry.at_ms, {"n": "clock_step", "u": "s", "v": entry.what.by_ms / 1000}))
            records.append((entry.at_ms, {"n": "clock_step_from", "u": "s", "v": entry.what.from_ms / 1000}))
        elif isinstance(entry.what, str):
            records.append((entry.at_ms, {"n": "gap", "vs": entry.what}))
    return dump(base_name(site, pack.meter), base_ms, records)


def encode_latest(site: str, meter: str, reading: Reading) -> str:
    """One reading alone, for the topic ``latest``; a reading without a value says so with an empty gap."""
    fields = _measured(reading) or [{"n": "gap", "vs": "no_value"}]
    return dump(base_name(site, meter), reading.at_ms, [(reading.at_ms, f) for f in fields])


def decode_latest(site: str, text: str | bytes) -> tuple[str, Reading]:
    """(meter, reading) of a message on ``latest``. Raises SenmlError."""
    records = parse(text)
    meter = _meter_of(site, records[0].name if records else "")
    values: dict[str, float] = {}
    for record in records:
        _take(values, record, record.name.removeprefix(base_name(site, meter)))
    return meter, Reading(_ms(records[0].at_s), **values)


def decode(site: str, text: str | bytes) -> Pack:
    """A pack from a message. Raises SenmlError, and nothing else, for any input.

    An entry that has a number and makes no sense is ``Unreadable``: it must not hold up the others.
    """
    records = parse(text, lenient=True)
    if not records:
        raise SenmlError("the pack is empty")
    meter = _meter_of(site, records[0].name)
    prefix = base_name(site, meter)
    head: dict[str, Record] = {}
    groups: list[tuple[Record, list[tuple[str, Record]]]] = []
    for record in records:
        if not record.name.startswith(prefix):
            raise SenmlError(f"the pack speaks of two meters: {record.name!r} is not below {prefix!r}")
        name = record.name[len(prefix) :]
        if name == "sequence":
            groups.append((record, []))
        elif groups:
            groups[-1][1].append((name, record))
        else:
            head[name] = record
    for record in head.values():
        if record.wrong:
            raise SenmlError(record.wrong)
    session = head["session"].text if "session" in head else None
    if not session or not groups:
        raise SenmlError("the pack has no session or no sequence")
    entries = tuple(_entry(first, rest) for first, rest in groups)
    for before, after in pairwise(entries):
        if after.sequence != before.sequence + 1:
            raise SenmlError(f"the pack has a hole between {before.sequence} and {after.sequence}")
    oldest = _whole(head["oldest"]) if "oldest" in head else entries[0].sequence
    if oldest > entries[0].sequence:
        raise SenmlError(f"the pack begins with {entries[0].sequence}, before its oldest {oldest}")
    boot, holds = (head[name].text if name in head else None for name in ("boot", "holds"))
    uptime = head["uptime"].value if "uptime" in head else None
    return Pack(
        meter,
        session,
        oldest,
        entries,
        clock_set=not ("clock_set" in head and head["clock_set"].flag is False),
        boot=boot or "",
        uptime_ms=None if uptime is None else round(uptime * 1000),
        holds=frozenset((holds or "").split()),
    )


def _meter_of(site: str, name: str) -> str:
    levels = name.split("/")
    if len(levels) != 4 or levels[0] != "loadbook" or levels[1] != site or not levels[2]:
        raise SenmlError(f"the pack's name {name!r} is not loadbook/{site}/METER/QUANTITY")
    return levels[2]


def _ms(at_s: float) -> int:
    at_ms = round(at_s * 1000)
    if at_s < RELATIVE_BELOW_S or not EARLIEST_MS <= at_ms <= LATEST_MS:
        raise SenmlError(f"the pack's time {at_s!r} is not one a reading can have")
    return at_ms


def _whole(record: Record) -> int:
    if record.wrong:
        raise SenmlError(record.wrong)
    value = record.value
    if value is None or value < 0 or value != int(value) or value > 2**53:
        raise SenmlError(f"{record.name} must be a whole number, not {value!r}")
    return int(value)


def _take(values: dict[str, float], record: Record, name: str) -> None:
    quantity = _BY_SENML_NAME.get(name)
    if quantity is None:
        return  # somebody else's addition
    if record.value is None or record.unit != quantity.senml_unit:
        raise SenmlError(f"{name} must be a number in {quantity.senml_unit}, not {record.value!r} {record.unit}")
    if abs(record.value) > 1e15:
        raise SenmlError(f"{name} of {record.value!r} cannot be")
    values[quantity.name] = round(record.value / quantity.senml_factor, quantity.decimals)


def _entry(first: Record, rest: Sequence[tuple[str, Record]]) -> Entry:
    sequence = _whole(first)
    try:
        at_ms = _ms(first.at_s)
        return Entry(sequence, at_ms, _what(at_ms, rest))
    except SenmlError as bad:
        return Entry(sequence, 0, Unreadable(str(bad)))


def _what(at_ms: int, rest: Sequence[tuple[str, Record]]) -> Reading | str | Step:
    """What an entry says. Raises SenmlError."""
    values: dict[str, float] = {}
    special: dict[str, Record] = {}
    for name, record in rest:
        if record.wrong:
            raise SenmlError(record.wrong)
        if round(record.at_s * 1000) != at_ms:
            raise SenmlError(f"{record.name} is not of its sequence number's instant")
        if name in ("gap", "clock_step", "clock_step_from"):
            special[name] = record
        else:
            _take(values, record, name)
    if "gap" in special:
        return special["gap"].text or "no_answer"
    if "clock_step" in special:
        by_s, from_s = special["clock_step"].value, None
        if "clock_step_from" in special:
            from_s = special["clock_step_from"].value
        if by_s is None or from_s is None or abs(by_s) > 1e10:
            raise SenmlError("clock_step needs a number of seconds, and clock_step_from")
        return Step(_ms(from_s), round(by_s * 1000))
    return Reading(at_ms, **values)
