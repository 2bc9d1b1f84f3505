"""Who may sign in at the dashboard, as rows: people, sessions, scripts, failed tries. Secrets come in as hashes.

The dashboard and ``loadbook people`` both write here, each for a moment; the file is nobody's but its owner's (0600).
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from loadbook.errors import StartError
from loadbook.store.connect import read_only, transaction, writer

PEOPLE_FILE = "people.sqlite"
SCHEMA = "people_schema"
MAY = ("look", "change")
"""What a person or a script may: look only, or change things as well."""


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who may sign in."""

    name: str
    may: str
    passphrase_hash: str
    since_ms: int


@dataclass(frozen=True, slots=True)
class Script:
    """A program that may ask with a token."""

    label: str
    may: str
    since_ms: int
    used_ms: int | None


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody who is signed in."""

    person: Person
    begun_ms: int
    used_ms: int


class PeopleRows:
    """The rows of one file. Every call opens it for itself. Raises StartError where it cannot be opened."""

    def __init__(self, folder: Path) -> None:
        """``folder``: the store's."""
        self.path = folder / PEOPLE_FILE

    def there(self) -> bool:
        """Whether anybody was ever made known here. Raises StartError where that cannot be told."""
        try:
            return self.path.stat().st_size > 0
        except FileNotFoundError:
            return False
        except OSError as bad:
            raise StartError(f"{self.path}: cannot be read: {(bad.strerror or str(bad)).lower()}") from None

    @contextmanager
    def _read(self) -> Iterator[sqlite3.Connection]:
        """To be asked only where the file is ``there``."""
        with closing(read_only(self.path)) as db:
            yield db

    def _make(self) -> None:
        """An empty file that only its owner may read; made by root, it belongs to whom the folder belongs."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            os.close(os.open(self.path, os.O_CREAT | os.O_WRONLY, 0o600))
            if os.geteuid() == 0:
                owner = self.path.parent.stat()
                os.chown(self.path, owner.st_uid, owner.st_gid)
        except OSError as bad:
            raise StartError(f"{self.path}: cannot be made: {(bad.strerror or str(bad)).lower()}") from None

    @contextmanager
    def change(self) -> Iterator[sqlite3.Connection]:
        """All of the block or nothing of it; makes the file where there is none."""
        if not self.there():
            self._make()
        with closing(writer(self.path, SCHEMA)) as db, transaction(db):
            yield db

    # people -----------------------------------------------------------------------------------------------------

    def anybody(self) -> bool:
        """Whether any person or script is known."""
        if not self.there():
            return False
        with self._read() as db:
            sql = "SELECT EXISTS (SELECT 1 FROM person) OR EXISTS (SELECT 1 FROM script)"
            return bool(db.execute(sql).fetchone()[0])

    def people(self) -> list[Person]:
        """Everybody, by name."""
        if not self.there():
            return []
        with self._read() as db:
            rows = db.execute("SELECT name, may, passphrase_hash, since_ms FROM person ORDER BY name").fetchall()
        return [Person(*row) for row in rows]

    def person(self, name: str) -> Person | None:
        """Somebody by name, written in whatever case."""
        return next((p for p in self.people() if p.name.casefold() == name.casefold()), None)

    def put_person(self, person: Person) -> None:
        """Make somebody known, or change what he may and his passphrase; what was open under the old one ends."""
        with self.change() as db:
            db.execute(
                "INSERT INTO person VALUES (?, ?, ?, ?) ON CONFLICT (name) DO UPDATE SET may = excluded.may, "
                "passphrase_hash = excluded.passphrase_hash",
                (person.name, person.may, person.passphrase_hash, person.since_ms),
            )
            db.execute("DELETE FROM session WHERE person = ?", (person.name,))

    def remove_person(self, name: str) -> bool:
        """Take somebody out; whatever he has open ends. False where nobody has that name."""
        with self.change() as db:
            return db.execute("DELETE FROM person WHERE name = ?", (name,)).rowcount > 0

    # sessions ---------------------------------------------------------------------------------------------------

    def begin_session(self, id_hash: str, person: str, now_ms: int, older_than_ms: int) -> None:
        """Sign somebody in; what was not used since ``older_than_ms`` is cleared away."""
        with self.change() as db:
            db.execute("DELETE FROM session WHERE used_ms < ?", (older_than_ms,))
            db.execute("INSERT INTO session VALUES (?, ?, ?, ?)", (id_hash, person, now_ms, now_ms))

    def session(self, id_hash: str) -> Session | None:
        if not self.there():
            return None
        with self._read() as db:
            row = db.execute(
                "SELECT name, may, passphrase_hash, since_ms, begun_ms, used_ms FROM session "
                "JOIN person ON person.name = session.person WHERE id_hash = ?",
                (id_hash,),
            ).fetchone()
        return None if row is None else Session(Person(*tuple(row)[:4]), row["begun_ms"], row["used_ms"])

    def used_session(self, id_hash: str, now_ms: int) -> None:
        with self.change() as db:
            db.execute("UPDATE session SET used_ms = ? WHERE id_hash = ?", (now_ms, id_hash))

    def end_session(self, id_hash: str) -> None:
        with self.change() as db:
            db.execute("DELETE FROM session WHERE id_hash = ?", (id_hash,))

    def end_sessions(self, person: str, but: str = "") -> int:
        """End all that somebody has open, but for the one of that hash; how many."""
        with self.change() as db:
            return db.execute("DELETE FROM session WHERE person = ? AND id_hash <> ?", (person, but)).rowcount

    def sessions_of(self, person: str) -> int:
        with self._read() as db:
            return int(db.execute("SELECT count(*) FROM session WHERE person = ?", (person,)).fetchone()[0])

    # scripts ----------------------------------------------------------------------------------------------------

    def scripts(self) -> list[Script]:
        """Every script, by label."""
        if not self.there():
            return []
        with self._read() as db:
            rows = db.execute("SELECT label, may, since_ms, used_ms FROM script ORDER BY label").fetchall()
        return [Script(*row) for row in rows]

    def put_script(self, label: str, may: str, token_hash: str, now_ms: int) -> None:
        """Make a script known, or give it another token."""
        with self.change() as db:
            db.execute("INSERT OR REPLACE INTO script VALUES (?, ?, ?, ?, NULL)", (label, may, token_hash, now_ms))

    def remove_script(self, label: str) -> bool:
        with self.change() as db:
            return db.execute("DELETE FROM script WHERE label = ?", (label,)).rowcount > 0

    def script_of(self, token_hash: str, now_ms: int) -> Script | None:
        """The script that has this token; that it was used is noted once a minute at most."""
        if not self.there():
            return None
        with self._read() as db:
            row = db.execute(
                "SELECT label, may, since_ms, used_ms FROM script WHERE token_hash = ?", (token_hash,)
            ).fetchone()
        if row is not None and abs(now_ms - (row["used_ms"] or 0)) > 60_000:
            with self.change() as db:
                db.execute("UPDATE script SET used_ms = ? WHERE token_hash = ?", (now_ms, token_hash))
        return None if row is None else Script(*row)

    # failed tries -----------------------------------------------------------------------------------------------

    def failed(self, who: str) -> tuple[int, int]:
        """(how often it failed in a row, when last) for a name or an address."""
        if not self.there():
            return 0, 0
        with self._read() as db:
            row = db.execute("SELECT tries, last_ms FROM failed WHERE who = ?", (who,)).fetchone()
        return (0, 0) if row is None else (row["tries"], row["last_ms"])

    def note_failed(self, who: list[str], now_ms: int, forget_before_ms: int) -> None:
        """One more try failed; what is older than ``forget_before_ms`` is forgotten."""
        with self.change() as db:
            db.execute("DELETE FROM failed WHERE last_ms < ?", (forget_before_ms,))
            for one in who:
                db.execute(
                    "INSERT INTO failed VALUES (?, 1, ?) ON CONFLICT (who) DO UPDATE SET tries = tries + 1, "
                    "last_ms = excluded.last_ms",
                    (one, now_ms),
                )

    def forget_failed(self, who: list[str]) -> None:
        with self.change() as db:
            db.executemany("DELETE FROM failed WHERE who = ?", [(one,) for one in who])


def forget_sessions(db: sqlite3.Connection) -> None:
    """Take out of a copy who is signed in and who failed to, without a trace left in its free pages."""
    db.execute("PRAGMA secure_delete = ON")
    with db:
        db.execute("DELETE FROM session")
        db.execute("DELETE FROM failed")
    db.execute("VACUUM")
