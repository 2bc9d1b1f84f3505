"""Bringing a database file to the newest schema, one numbered SQL script at a time.

A script and the record that it ran share a transaction, so a power cut leaves the one state or the other. Scripts live
in ``ledger_schema/`` and ``readings_schema/``, named ``NNNN_what.sql``; one that has been released never changes.
"""

from __future__ import annotations

import sqlite3
from importlib import resources

from loadbook.errors import StartError


def scripts(schema: str) -> list[tuple[int, str, str]]:
    """(number, name, SQL) of every script of ``ledger_schema`` or ``readings_schema``, in order."""
    found = []
    for entry in resources.files("loadbook.store").joinpath(schema).iterdir():
        if entry.name.endswith(".sql"):
            found.append((int(entry.name.split("_")[0]), entry.name, entry.read_text(encoding="utf-8")))
    return sorted(found)


def statements(sql: str) -> list[str]:
    """A script cut into statements (``executescript`` would commit behind our back)."""
    found, rest = [], ""
    for line in sql.splitlines(keepends=True):
        rest += line
        if ";" in line and sqlite3.complete_statement(rest):
            found.append(rest.strip())
            rest = ""
    if any(line.strip() and not line.strip().startswith("--") for line in rest.splitlines()):
        raise ValueError(f"a statement does not end: {rest.strip()[:60]!r}")
    return found


def version_of(db: sqlite3.Connection) -> int:
    """The number of the last script that ran; 0 for an empty file."""
    there = db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'schema_script'").fetchone()[0]
    return int(db.execute("SELECT max(number) FROM schema_script").fetchone()[0] or 0) if there else 0


def migrate(db: sqlite3.Connection, schema: str, name: str) -> None:
    """Run what has not run yet. Raises StartError when the file was written by a newer program."""
    known = scripts(schema)
    version = version_of(db)
    newest = known[-1][0]
    if version > newest:
        raise StartError(
            f"{name}: was written by a newer loadbook (schema {version}, this one knows {newest}); "
            "install the newer one or restore a backup"
        )
    for number, script, sql in known:
        if number <= version:
            continue
        db.execute("BEGIN IMMEDIATE")
        try:
            db.execute(
                "CREATE TABLE IF NOT EXISTS schema_script (number INTEGER PRIMARY KEY, name TEXT NOT NULL) STRICT"
            )
            for statement in statements(sql):
                db.execute(statement)
            db.execute("INSERT INTO schema_script VALUES (?, ?)", (number, script))
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
