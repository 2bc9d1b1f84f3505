"""The versions of a machine's file in the ledger: written through the recorder's connection, read through anybody's."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from loadbook.store.rows import query


@dataclass(frozen=True, slots=True)
class FileVersion:
    """One text a machine's file has had; ``number`` names it for good."""

    number: int
    machine: str
    at_ms: int
    author: str
    why: str
    text: str


def read_versions(db: sqlite3.Connection, machine: str) -> list[FileVersion]:
    """A machine's versions, the newest (the one in force) first; none where nothing was ever changed here."""
    rows = query(db, "SELECT * FROM machine_file_version WHERE machine = ? ORDER BY id DESC", (machine,))
    return [FileVersion(r["id"], r["machine"], r["at_ms"], r["author"], r["why"], r["file_text"]) for r in rows]


def add_version(db: sqlite3.Connection, machine: str, text: str, *, at_ms: int, author: str = "", why: str = "") -> int:
    """Keep a text as the newest version; gives its number."""
    sql = (
        "INSERT INTO machine_file_version (machine, at_ms, author, why, file_text) VALUES (?, ?, ?, ?, ?) RETURNING id"
    )
    return int(db.execute(sql, (machine, at_ms, author, why, text)).fetchone()[0])
