"""Copies of store and ledger, made while they are written, and putting them back.

Through SQLite's backup interface: a copy is one state, whole, whatever the recorder does meanwhile (sqlite.org, "Using
the SQLite Online Backup API"). Never by copying the files. Who may sign in goes along, as hashes, in a file of
mode 0600; who is signed in does not: a copy that is put back must not open what was closed since.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from loadbook.errors import InputError, StartError
from loadbook.store.connect import LEDGER_FILE, READINGS_FILE, read_only, writer
from loadbook.store.people import PEOPLE_FILE, SCHEMA, forget_sessions

FILES = ((LEDGER_FILE, "ledger_schema"), (READINGS_FILE, "readings_schema"), (PEOPLE_FILE, SCHEMA))
SECRET = (PEOPLE_FILE,)
"""Nobody's but their owner's."""
PAGES = 2000
"""Copied at a time; in between the recorder gets its turn."""
PART = ".part"


def back_up(data: Path, to: Path, now: datetime, told: Callable[[str], None] = lambda _: None) -> Path:
    """Copy ledger, readings and who may sign in into a new folder below ``to``, named by the time; gives that folder.

    The ledger first: its copy then never speaks of a reading that the other copy lacks. Raises StartError.
    """
    folder = to / f"loadbook-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}"
    try:
        folder.mkdir(parents=True)
    except OSError as bad:
        raise StartError(f"{folder}: cannot be made: {(bad.strerror or str(bad)).lower()}") from None
    for name, _ in FILES:
        if not _there(data / name):
            continue
        if not os.access(data / name, os.R_OK):
            raise StartError(f"{data / name}: only its owner may read it; run this with sudo")
        with closing(read_only(data / name)) as live:
            part = folder / (name + PART)
            try:
                _make(part, name)
                with closing(sqlite3.connect(part)) as copy:
                    live.backup(copy, pages=PAGES, sleep=0.01)
                    copy.execute("PRAGMA journal_mode = DELETE")
                    if name == PEOPLE_FILE:
                        forget_sessions(copy)
                _settle(part)
                part.replace(folder / name)
            except (sqlite3.Error, OSError) as bad:
                raise StartError(f"{folder / name}: cannot be written: {bad}") from None
        told(f"{folder / name}: {(folder / name).stat().st_size / 1e6:.1f} MB")
    if not any((folder / name).exists() for name, _ in FILES):
        folder.rmdir()
        raise StartError(f"{data}: there is nothing to back up; has `loadbook record` run here?")
    return folder


def restore(folder: Path, data: Path) -> list[Path]:
    """Put a backup back. What is there is set aside as ``*.before-restore``; gives the files put in place.

    The recorder must not be running. Raises InputError for a backup that is damaged or not one, StartError where the
    store cannot be written; then nothing has changed.
    """
    found = [(folder / name, name, schema) for name, schema in FILES if (folder / name).is_file()]
    if not any(name not in SECRET for _, name, _ in found):
        raise InputError(f"{folder}: holds no {LEDGER_FILE} and no {READINGS_FILE}; name the folder `backup` printed")
    for path, _, _ in found:
        with closing(read_only(path)) as db:
            problem = str(db.execute("PRAGMA integrity_check(1)").fetchone()[0])
        if problem != "ok":
            raise InputError(f"{path}: the backup is damaged: {problem.splitlines()[0]}")
    data.mkdir(parents=True, exist_ok=True)
    for _, name, _ in found:
        _refuse_in_use(data / name)
    for path, name, schema in found:  # everything that can fail happens before anything is replaced
        part = data / (name + PART)
        try:
            part.unlink(missing_ok=True)
            _make(part, name)
            with closing(read_only(path)) as source, closing(sqlite3.connect(part)) as copy:
                source.backup(copy)
            writer(part, schema).close()  # also: brought to today's schema, or refused as too new
            _settle(part)
        except (sqlite3.Error, OSError) as bad:
            raise StartError(f"{part}: cannot be written: {bad}") from None
    placed = []
    for _, name, _ in found:
        live = data / name
        for ending in ("-wal", "-shm"):
            with contextlib.suppress(FileNotFoundError):
                (data / (name + ending)).unlink()
        if live.exists():
            live.replace(data / (name + ".before-restore"))
        (data / (name + PART)).replace(live)
        placed.append(live)
    return placed


def _there(path: Path) -> bool:
    """Whether there is something to copy: a file that was only just made is still empty."""
    return path.exists() and path.stat().st_size > 0


def _make(path: Path, name: str) -> None:
    """An empty file that only its owner may read where it is secret; made by root, it belongs to whom the folder
    belongs: what `sudo` puts back must be the services' own."""
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600 if name in SECRET else 0o666))
    if os.geteuid() == 0:
        owner = path.parent.stat()
        os.chown(path, owner.st_uid, owner.st_gid)


def _refuse_in_use(path: Path) -> None:
    if not path.exists():
        return
    try:
        with closing(sqlite3.connect(path, timeout=0.5, isolation_level=None)) as db:
            # Alone with the file: nobody else may even have it open in WAL mode.
            db.execute("PRAGMA locking_mode = EXCLUSIVE")
            db.execute("BEGIN EXCLUSIVE")
            db.execute("COMMIT")
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    except sqlite3.OperationalError:
        raise StartError(f"{path}: is in use; stop the recorder and the dashboard first") from None
    except sqlite3.DatabaseError:
        return  # damaged: that is what one restores for


def _settle(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
