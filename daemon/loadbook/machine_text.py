"""A machine file's text with a chart put in, its comments and its order kept; and the difference for people to read.

Takes and gives text. tomlkit is loaded only here: it keeps what the user wrote, which the standard reader does not.
"""

from __future__ import annotations

import difflib
from typing import Any

import tomlkit
from tomlkit.items import AoT, Table

from loadbook.errors import InputError
from loadbook.machine import Machine, PhaseChart, Programme


def with_chart(text: str, machine: Machine, programme: Programme) -> str:
    """The file with this programme in it: an existing one's phases are updated in place, a new one is put at the
    end; tolerances of ``machine``'s components that the file does not have are added."""
    doc = tomlkit.parse(text.removeprefix("\ufeff"))
    _tolerances(doc, machine)
    programmes = _tables(doc, "programme", "programmes")
    table = next((t for t in programmes if t.get("id") == programme.id), None)
    if table is None:
        programmes.append(_programme(programme))
        if "programme" not in doc and "programmes" not in doc:
            doc.add(tomlkit.nl())
            doc.add("programme", programmes)
    else:
        _update(table, programme)
    return tomlkit.dumps(doc)


def difference(before: str, after: str, name: str) -> str:
    """The unified difference, as everybody reads it."""
    lines = difflib.unified_diff(
        before.splitlines(keepends=True), after.splitlines(keepends=True), f"{name} (as it is)", f"{name} (learned)"
    )
    return "".join(line if line.endswith("\n") else line + "\n" for line in lines)


def _tables(doc: Any, *keys: str) -> AoT:
    for key in keys:
        found = doc.get(key)
        if isinstance(found, AoT):
            return found
        if found is not None:
            raise InputError(f"{key}: is not written as [[{key}]] tables; write it so, then learn again")
    return tomlkit.aot()


def _tolerances(doc: Any, machine: Machine) -> None:
    for table in _tables(doc, "component", "components"):
        part = next((p for p in machine.components if p.id == table.get("id")), None)
        if part is None or part.tolerance is None:
            continue
        wanted = part.tolerance.model_dump(exclude_none=True)
        if table.get("tolerance") is None or dict(table["tolerance"].unwrap()) != wanted:
            inline = tomlkit.inline_table()
            inline.update(wanted)
            table["tolerance"] = inline


def _number(value: float) -> float:
    return round(float(value), 1)


def _phase(chart: PhaseChart) -> Table:
    table = tomlkit.table()
    table.add("id", chart.id)
    table.add("stage", chart.stage)
    if chart.name:
        table.add("name", chart.name)
    _fill(table, chart)
    return table


def _fill(table: Any, chart: PhaseChart) -> None:
    """Sets what learning may change, and only where it differs."""
    wanted: dict[str, Any] = {
        "on": list(chart.on),
        "pulsing": list(chart.pulsing),
        "min_s": _number(chart.min_s),
        "max_s": _number(chart.max_s),
        "usual_s": None if chart.usual_s is None else _number(chart.usual_s),
        "rest_s": None if chart.rest_s is None else _number(chart.rest_s),
        "optional": chart.optional,
        "power_w": None if chart.power_w is None else chart.power_w.model_dump(exclude_none=True),
    }
    absent: dict[str, Any] = {
        "on": [],
        "pulsing": [],
        "min_s": 0.0,
        "usual_s": None,
        "rest_s": None,
        "optional": False,
        "power_w": None,
    }
    for key, value in wanted.items():
        old = table.get(key)
        plain = old.unwrap() if hasattr(old, "unwrap") else old
        if plain == value or (old is None and absent.get(key, ...) == value):
            continue
        if value is None:
            del table[key]
        elif isinstance(value, dict):
            inline = tomlkit.inline_table()
            inline.update(value)
            table[key] = inline
        else:
            table[key] = value


def _programme(programme: Programme) -> Table:
    table = tomlkit.table()
    table.add("id", programme.id)
    if programme.name:
        table.add("name", programme.name)
    phases = tomlkit.aot()
    for chart in programme.phases:
        phases.append(_phase(chart))
    table.add("phase", phases)
    return table


def _update(table: Any, programme: Programme) -> None:
    """Phases of the same ids keep their place and their comments."""
    key = "phase" if "phase" in table else "phases"
    old = {t.get("id"): t for t in table.get(key, [])}
    if list(old) == [p.id for p in programme.phases]:
        for chart in programme.phases:
            _fill(old[chart.id], chart)
        return
    phases = tomlkit.aot()
    for chart in programme.phases:
        phases.append(_phase(chart))
    table[key] = phases
