"""Opening SQLite files the one way they are opened here: a writer that is durable, readers that cannot write.

Nobody else in the house calls ``sqlite3.connect`` on these files, and nothing ever opens them as plain files: closing
any other descriptor of a live database cancels its locks (sqlite.org, "How To Corrupt An SQLite Database File", 2.2).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from loadbook.errors import StartError
from loadbook.store.migrate import migrate

LEDGER_FILE = "ledger.sqlite"
READINGS_FILE = "readings.sqlite"
LOG_PAGES = 250
"""So long grows the write-ahead log before it is used again from its beginning."""


def writer(path: Path, schema: str) -> sqlite3.Connection:
    """The one writing connection: brought to the newest ``schema``, WAL, every commit forced to the card.

    ``synchronous=FULL``: what the recorder reports as committed must survive a power cut, and in WAL mode NORMAL may
    roll back the last commits (sqlite.org, PRAGMA synchronous). That is one fsync a commit, which is cheap as long as
    the log does not grow: a growing file makes the file system write its own journal as well, so the log is kept short.
    Raises StartError where the file cannot be made, read or brought up to date.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        db = sqlite3.connect(path, isolation_level=None, timeout=10.0, check_same_thread=False)
    except (OSError, sqlite3.Error) as bad:
        raise StartError(f"{path}: the store cannot be opened for writing: {_short(bad)}") from None
    try:
        db.execute("PRAGMA auto_vacuum = INCREMENTAL")  # has a say only in a file without tables
        mode = db.execute("PRAGMA journal_mode = WAL").fetchone()[0]
        db.execute("PRAGMA synchronous = FULL")
        db.execute(f"PRAGMA wal_autocheckpoint = {LOG_PAGES}")
        db.execute("PRAGMA foreign_keys = ON")
        if mode != "wal":
            raise StartError(f"{path}: the store's folder does not allow write-ahead logging; use a local disk")
        migrate(db, schema, str(path))
    except sqlite3.Error as bad:
        db.close()
        raise StartError(f"{path}: the store cannot be opened for writing: {_short(bad)}") from None
    except BaseException:
        db.close()
        raise
    return db


def read_only(path: Path) -> sqlite3.Connection:
    """A connection that can only read, and sees one state per transaction. Rows by column name.

    Raises StartError where the file is not there (the recorder has not run yet).
    """
    try:
        db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=10.0, check_same_thread=False)
        db.execute("SELECT max(number) FROM schema_script").fetchone()  # also: has it been made yet?
    except sqlite3.Error as bad:
        raise StartError(f"{path}: cannot be read: {_short(bad)}; has `loadbook record` run here?") from None
    db.row_factory = sqlite3.Row
    return db


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """All of the block or nothing of it. Not to be nested."""
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise
    try:
        db.execute("COMMIT")
    except sqlite3.Error:
        if db.in_transaction:  # a full card refuses the commit and leaves the transaction open
            db.execute("ROLLBACK")
        raise


def _short(bad: Exception) -> str:
    if isinstance(bad, OSError):
        return (bad.strerror or str(bad)).lower()
    return str(bad).lower()
