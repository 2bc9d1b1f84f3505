"""The recorder's side of machine files changed from the dashboard: checked, kept as versions, written to the file,
put in force. Every method runs inside the recorder's transaction.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loadbook.errors import InputError
from loadbook.files import share
from loadbook.machine import Machine, parse_machine
from loadbook.store.ledger import Ledger
from loadbook.store.machine_files import add_version, read_versions
from loadbook.store.rows import query

LONGEST_FILE = 200_000

Request = dict[str, Any]
Handler = Callable[[Request, int], dict[str, Any]]


@dataclass(slots=True)
class MachineDesk:
    """Requests about machine files. ``paths`` are the files by machine id; ``renew`` puts a changed one in force."""

    ledger: Ledger
    paths: Mapping[str, Path]
    renew: Callable[[Machine], None]

    @property
    def actions(self) -> dict[str, Handler]:
        """Request actions and what carries them out."""
        return {"machine_file_save": self.save, "machine_file_undo": self.undo}

    def save(self, request: Request, now_ms: int) -> dict[str, Any]:
        """Keep a changed file: ``{"machine", "text", "by", "why", "version"}``.

        ``version`` is the number of the version the change was made from (0: the file as it was before any change
        here); where another has come in between, the change is refused.
        """
        machine_id = self._known(request)
        versions = read_versions(self.ledger.db, machine_id)
        newest = versions[0].number if versions else 0
        if request.get("version", newest) != newest:
            raise InputError("version: somebody else has changed this file meanwhile; read it again and change that")
        text = str(request.get("text") or "").replace("\r\n", "\n")
        return {"version": self._keep(machine_id, text, request, now_ms)}

    def undo(self, request: Request, now_ms: int) -> dict[str, Any]:
        """Put an earlier version in force again: ``{"machine", "version", "by", "why"}``."""
        machine_id = self._known(request)
        for version in read_versions(self.ledger.db, machine_id):
            if version.number == request.get("version"):
                why = request.get("why") or f"back to version {version.number}"
                return {"version": self._keep(machine_id, version.text, {**request, "why": why}, now_ms)}
        raise InputError(f"version: {machine_id} has no version {request.get('version')!r}")

    def _known(self, request: Request) -> str:
        machine_id = str(request.get("machine"))
        if machine_id not in self.paths:
            raise InputError(f"machine: there is no machine {machine_id!r} in the settings")
        return machine_id

    def _keep(self, machine_id: str, text: str, request: Request, now_ms: int) -> int:
        db, path = self.ledger.db, self.paths[machine_id]
        if len(text) > LONGEST_FILE:
            raise InputError(f"text: is longer than {LONGEST_FILE} characters")
        machine = parse_machine(text, path.name)
        if machine.id != machine_id:
            raise InputError(f"{path.name}: machine.id: must stay {machine_id!r}, under which its cycles are kept")
        row = query(db, "SELECT state, meter, file_text FROM machine WHERE id = ?", (machine_id,))[0]
        before = row["file_text"] or ""
        if text == before:
            raise InputError(f"{path.name}: nothing is changed")
        if row["state"] == "running":
            raise InputError(f"{machine_id} runs; change its file when the cycle has ended")
        if path.resolve().is_relative_to(share("config").resolve()):
            raise InputError(
                f"{path}: came along with Loadbook; copy it beside the settings file and name the copy there"
            )
        if not read_versions(db, machine_id):
            add_version(db, machine_id, before, at_ms=now_ms, why="as it was before any change here")
        by, why = str(request.get("by") or "")[:80], str(request.get("why") or "")[:300]
        number = add_version(db, machine_id, text, at_ms=now_ms, author=by, why=why)
        self.ledger.put_machine(machine, row["meter"], text)
        write_whole(path, text)
        self.renew(machine)
        return number


def write_whole(path: Path, text: str) -> None:
    """Put ``text`` in a file's place so that a power cut leaves the old or the new one. Raises InputError."""
    new = path.with_name(f".{path.name}.new")
    try:
        with new.open("w", encoding="utf-8") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        new.replace(path)
    except OSError as bad:
        with contextlib.suppress(OSError):
            new.unlink()
        raise InputError(f"{path}: cannot be written: {(bad.strerror or str(bad)).lower()}") from None
