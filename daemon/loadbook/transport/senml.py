"""SenML packs in JSON (RFC 8428): text to resolved records and back. Pure.

Read: base fields (4.1), units by base unit, relative times (4.5.3), versions (4.4), and fields that must be understood
(4.4, a label that ends in ``_``). Written: packs whose first record carries the base name and base time.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from loadbook.errors import InputError

VERSION = 10
RELATIVE_BELOW_S = 2**28
"""A time below this is relative to now (RFC 8428, 4.5.3)."""
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")
_BASE = {"bn": str, "bt": float, "bu": str, "bv": float, "bs": float, "bver": int}
_OWN = {"n": str, "u": str, "v": float, "vs": str, "vb": bool, "vd": str, "s": float, "t": float, "ut": float}
_MOST_RECORDS = 20_000


class SenmlError(InputError):
    """A pack that is not one, with what is wrong in one line."""


@dataclass(frozen=True, slots=True)
class Record:
    """One resolved record. ``at_s`` is seconds since 1970, or below 2**28 relative to now; one value is set."""

    name: str
    at_s: float
    unit: str | None = None
    value: float | None = None
    text: str | None = None
    flag: bool | None = None
    data: str | None = None
    sum: float | None = None
    wrong: str = ""
    """What is wrong with it, where it cannot be understood (``parse`` with ``lenient``); its values mean nothing."""


def _typed(raw: dict[str, Any], key: str, kind: type) -> Any:
    value = raw[key]
    if kind is float:
        if isinstance(value, float) and not math.isfinite(value):
            raise SenmlError(f"SenML field {key!r}: a SenML pack cannot hold {json.dumps(value)}")
        if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > 1e300:
            raise SenmlError(f"SenML field {key!r} must be a number, not {value!r}")
        return float(value)
    if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
        raise SenmlError(f"SenML field {key!r} has a value of the wrong type: {value!r}")
    return value


def _take_base(raw: Any, base: dict[str, Any]) -> None:
    """Take a record's base fields into ``base``. What is wrong there is wrong for all that follow: SenmlError."""
    if not isinstance(raw, dict):
        raise SenmlError("a SenML pack is a list of objects")
    for key in raw:
        if key in _BASE:
            base[key] = _typed(raw, key, _BASE[key])
    if base.get("bver", VERSION) > VERSION:
        raise SenmlError(f"SenML version {base['bver']} is newer than {VERSION}")


def _fields(raw: dict[str, Any]) -> dict[str, Any]:
    """A record's own fields, checked. Unknown labels are passed over."""
    own: dict[str, Any] = {}
    for key in raw:
        if key in _OWN:
            own[key] = _typed(raw, key, _OWN[key])
        elif key not in _BASE and key.endswith("_"):
            raise SenmlError(f"SenML field {key!r} must be understood and is not")
    return own


def parse(text: str | bytes, *, lenient: bool = False) -> list[Record]:
    """The resolved records of a pack. Raises SenmlError, and nothing else, for any input.

    ``lenient``: a record that is wrong in itself is given with ``wrong`` set, so that it does not take the others with
    it; what is wrong with the pack as a whole is still raised.
    """
    try:
        raw = json.loads(text)
    except (ValueError, RecursionError):
        raise SenmlError("not a SenML pack: no JSON") from None
    if not isinstance(raw, list) or not raw:
        raise SenmlError("a SenML pack is a list of objects")
    if len(raw) > _MOST_RECORDS:
        raise SenmlError(f"a SenML pack of {len(raw)} records is too long")
    base: dict[str, Any] = {}
    found: list[Record] = []
    for item in raw:
        _take_base(item, base)
        try:
            record = _record(item, base)
        except SenmlError as bad:
            if not lenient:
                raise
            name = item.get("n")
            record = Record(base.get("bn", "") + (name if isinstance(name, str) else ""), 0.0, wrong=str(bad))
        if record is not None:
            found.append(record)
    return found


def _record(item: dict[str, Any], base: dict[str, Any]) -> Record | None:
    """A record resolved; None for one that has base fields only. Raises SenmlError."""
    own = _fields(item)
    name = base.get("bn", "") + own.get("n", "")
    values = [key for key in ("v", "vs", "vb", "vd") if key in own]
    if len(values) > 1:
        raise SenmlError(f"SenML record {name!r} has two values")
    if not values and "s" not in own and "bv" not in base and "bs" not in base:
        if "n" in own:
            raise SenmlError(f"SenML record {name!r} has no value")
        return None
    if not _NAME.fullmatch(name):
        raise SenmlError(f"SenML name {name!r} is empty or has characters that are not allowed")
    value = own.get("v")
    if value is not None or not values:
        value = (value or 0.0) + base["bv"] if "bv" in base else value
    total = own.get("s")
    if "bs" in base:
        total = (total or 0.0) + base["bs"]
    return Record(
        name, base.get("bt", 0.0) + own.get("t", 0.0), own.get("u", base.get("bu")), value,
        own.get("vs"), own.get("vb"), own.get("vd"), total,
    )  # fmt: skip


def dump(base_name: str, base_at_ms: int, records: Iterable[tuple[int, dict[str, Any]]]) -> str:
    """A pack as JSON text from (time in ms, own fields) of each record; ``t`` is written where it is not the base's."""
    out: list[dict[str, Any]] = []
    for at_ms, own in records:
        record = dict(own)
        if at_ms != base_at_ms:
            record["t"] = _seconds(at_ms - base_at_ms)
        out.append(record)
    out[0] = {"bn": base_name, "bt": _seconds(base_at_ms), **out[0]}
    return json.dumps(out, separators=(",", ":"))


def _seconds(ms: int) -> float | int:
    """Milliseconds as seconds, a whole number where it is one."""
    return ms // 1000 if ms % 1000 == 0 else ms / 1000
