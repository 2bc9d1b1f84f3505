"""A machine's file in the browser: plates and charts as text, checked, shown as a difference, kept as versions.

Nothing is kept before its difference has been seen, and every version can be brought back. The recorder keeps it. A
form names the version it was read from, so that nobody overwrites what another has changed meanwhile.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from loadbook.errors import InputError
from loadbook.judge.limits import Limits
from loadbook.learning import learn_from
from loadbook.machine import Machine, parse_machine
from loadbook.machine_text import difference, with_chart
from loadbook.reading import Series
from loadbook.store.machine_files import FileVersion, read_versions
from werkzeug.wrappers import Response

from loadbook_dashboard.api import FAR_MS, machine_or_404, number_of
from loadbook_dashboard.gate import author
from loadbook_dashboard.parts import parts
from loadbook_dashboard.queries import MachineRow
from loadbook_dashboard.requests import RefusedError

blueprint = Blueprint("machine_file", __name__)

LONGEST_TEXT = 200_000
CHOICE = 20
"""So many cycles to learn from, newest first."""
AROUND_MS = 180_000
"""Readings from a little before to a little after a cycle: learning wants to see it begin and end."""


def plain_difference(before: str, after: str) -> list[tuple[str, str]]:
    """The difference as (kind, line): ``out`` what goes, ``in`` what comes, ``same`` around, ``where`` a jump."""
    kinds = {"+": "in", "-": "out", " ": "same", "@": "where"}
    lines = difference(before, after, "file").splitlines()[2:]
    return [(kinds.get(line[:1], "same"), "…" if line.startswith("@") else line[1:]) for line in lines]


def digest(text: str) -> str:
    """Names a text, so that nobody keeps a change whose difference he has not seen."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Kept:
    """The file as the ledger has it: its text and its versions, the newest first."""

    text: str
    versions: list[FileVersion]

    @property
    def version(self) -> int:
        """The number of the version in force; 0 where nothing was ever changed here."""
        return self.versions[0].number if self.versions else 0

    @property
    def of(self) -> str:
        return digest(self.text)


def _kept(row: MachineRow) -> Kept:
    with parts().queries.open() as db:
        found = db.execute("SELECT file_text FROM machine WHERE id = ?", (row.id,)).fetchone()
        return Kept(str(found["file_text"] or ""), read_versions(db, row.id))


@dataclass(frozen=True, slots=True)
class Meanwhile:
    """What somebody else kept after the form had been read. ``by`` is None where the file itself was edited."""

    by: FileVersion | None
    change: list[tuple[str, str]]
    """What he changed; empty where the version the form was read from is not known."""


def _meanwhile(kept: Kept) -> Meanwhile | None:
    """What has come in between the form's reading and now; None where nothing has."""
    of = request.form.get("of", "")
    if of in ("", kept.of):
        return None
    newest = kept.versions[0] if kept.versions and kept.versions[0].text == kept.text else None
    before = next((v.text for v in kept.versions if digest(v.text) == of), None)
    return Meanwhile(newest, [] if before is None else plain_difference(before, kept.text))


def _show(row: MachineRow, text: str, kept: Kept, **more: Any) -> str:
    queries = parts().queries
    cycles = [r.cycle for r in queries.cycles(row.id, FAR_MS, CHOICE) if r.cycle.outcome == "completed"]
    return render_template(
        "machine_file.html",
        m=row,
        text=text,
        kept=kept,
        cycles=cycles,
        **{"change": None, "problem": "", "learned": None, "meanwhile": None, "why": "", **more},
    )


@blueprint.get("/machines/<machine>/file")
def page(machine: str) -> str:
    """The file as it is, its versions, and the cycles that can be learned from."""
    row = machine_or_404(machine)
    kept = _kept(row)
    return _show(row, kept.text, kept)


def _checked(row: MachineRow, text: str) -> Machine:
    """The machine a text describes. Raises InputError in one line."""
    if len(text) > LONGEST_TEXT:
        raise InputError("the file: is longer than a machine file can be; shorten it")
    found = parse_machine(text, "the file")
    if found.id != row.id:
        raise InputError(f"the file: machine.id is {found.id!r}; it must stay {row.id!r}")
    return found


def _why() -> str:
    return request.form.get("why", "").strip()[:300]


@blueprint.post("/machines/<machine>/file")
def change(machine: str) -> str | Response:
    """Check a text and show what would change; or keep it, after that."""
    row = machine_or_404(machine)
    text = request.form.get("text", "").replace("\r\n", "\n")
    name = author()
    kept = _kept(row)
    try:
        _checked(row, text)
    except InputError as bad:
        return _show(row, text, kept, problem=str(bad))
    told: dict[str, Any] = {"change": plain_difference(kept.text, text), "why": _why(), "meanwhile": _meanwhile(kept)}
    version = number_of(request.form.get("version", ""))
    if request.form.get("what") != "keep" or request.form.get("of") != kept.of or version is None:
        return _show(row, text, kept, **told)
    try:
        parts().asker.ask("machine_file_save", machine=machine, text=text, by=name, why=_why(), version=version)
    except RefusedError as refused:
        return _show(row, text, _kept(row), problem=str(refused).rstrip("."), **told)
    flash("Kept. The next cycle is judged by it.", "done")
    parts().hub.changed(machine, "file")
    return redirect(url_for(".page", machine=machine))


@blueprint.post("/machines/<machine>/file/undo")
def undo(machine: str) -> Response:
    """Bring a version back: as a new one, so that nothing is lost."""
    machine_or_404(machine)
    version = number_of(request.form.get("version", ""))
    if version is None:
        abort(400, "version must be a number.")
    name = author()
    try:
        parts().asker.ask("machine_file_undo", machine=machine, version=version, by=name)
        flash("Brought back. The next cycle is judged by it.", "done")
        parts().hub.changed(machine, "file")
    except RefusedError as refused:
        flash(str(refused), "refused")
    return redirect(url_for(".page", machine=machine))


@blueprint.post("/machines/<machine>/file/learn")
def learn(machine: str) -> str:
    """Learn a programme from ticked cycles that were good, and show it as a change of the file."""
    row = machine_or_404(machine)
    kept = _kept(row)
    now = kept.text
    programme = request.form.get("programme", "").strip()
    keys = [key for text in request.form.getlist("cycle") if (key := number_of(text)) is not None]
    try:
        known = _checked(row, now)
        if not keys:
            raise InputError("Tick the cycles that were good")
        result = learn_from(_logs(row, keys), known, programme or "programme-1", None, _limits())
        text = with_chart(now, result.machine, result.programme)
        _checked(row, text)
    except InputError as bad:
        return _show(row, now, kept, problem=str(bad))
    why = f"learned {result.programme.id} from {result.cycles} cycle{'s' if result.cycles != 1 else ''}"
    return _show(row, text, kept, change=plain_difference(now, text), why=why, learned=result)


def _limits() -> Limits:
    return Limits.of_site(parts().settings.site)


def _logs(row: MachineRow, keys: list[int]) -> list[tuple[str, Series]]:
    here, logs = parts(), []
    with here.readings() as reader:
        for key in keys:
            cycle = here.queries.cycle(row.id, key)
            if cycle is None or row.meter is None:
                continue
            series = reader.series(row.meter, cycle.start_ms - AROUND_MS, cycle.end_ms + AROUND_MS)
            if len(series) < 10:
                raise InputError(
                    f"The cycle of {here.time.when(cycle.start_ms, here.now_ms())} is no longer kept at full rate; "
                    "choose another"
                )
            logs.append((here.time.when(cycle.start_ms, here.now_ms()), series))
    return logs
