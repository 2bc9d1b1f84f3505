"""Signing in: passphrases, sessions, tokens of scripts, and how long a failed try makes one wait.

Nothing here knows of requests or pages (``gate`` and ``pages/entry`` do). Passphrases are kept as scrypt hashes
(werkzeug.security), session ids and tokens, which are random, as SHA-256. Times are milliseconds since 1970.
"""

from __future__ import annotations

import hashlib
import logging
import secrets
import threading
from dataclasses import dataclass
from functools import cache

from loadbook.errors import InputError
from loadbook.store.people import PeopleRows, Person, Script
from werkzeug.security import check_password_hash, generate_password_hash

log = logging.getLogger(__name__)

LEAST_CHARACTERS = 12
MOST_CHARACTERS = 300
LEAST_DIFFERENT = 6
"""A passphrase of fewer different characters is a pattern."""
TOO_COMMON = frozenset({
    "123456789012", "1234567890123", "password1234", "passwordpassword", "qwertyuiop12", "qwertyuiop123",
    "iloveyou1234", "administrator", "adminadmin12", "changemeplease", "letmein12345", "washingmachine",
})  # fmt: skip

IDLE_MS = 14 * 86_400_000
"""A session that was not used for this long has ended."""
LONGEST_MS = 90 * 86_400_000
"""So has one that began this long ago."""
NOTE_USE_MS = 60_000

FREE_TRIES = 4
"""So many tries may fail before one must wait: 1 s, doubling."""
ADDRESS_WAIT_MS = 900_000
"""The longest wait for an address that goes on trying; never for ever."""
NAME_FREE_TRIES = 10
NAME_WAIT_MS = 30_000
"""For a name tried from anywhere the wait stays short: nobody can lock another out by trying in his name."""
FORGET_MS = 3_600_000
"""After an hour without a failed try it is as if there had been none."""

_one_hash_at_a_time = threading.Semaphore(1)
"""A hash takes 32 MB and a tenth of a second or more: on a small board one at a time."""
HASH_WITHIN_S = 10.0


class WaitError(Exception):
    """Too many tries. ``seconds`` is how long to wait before the next."""

    def __init__(self, seconds: int) -> None:
        super().__init__(f"Too many tries. Wait {seconds} s.")
        self.seconds = seconds


@dataclass(frozen=True, slots=True)
class SignedIn:
    """A session that has just begun: ``secret`` goes into the cookie and is kept nowhere else."""

    person: Person
    secret: str


def checked_name(name: str) -> str:
    """A person's or script's name as it is kept. Raises InputError."""
    text = " ".join(name.split())
    if not 1 <= len(text) <= 60 or not text.isprintable():
        raise InputError(f"name: {name!r} must be 1 to 60 printable characters")
    return text


def checked_passphrase(passphrase: str, name: str) -> str:
    """The passphrase, if it is one. Raises InputError, which never repeats it."""
    if not LEAST_CHARACTERS <= len(passphrase) <= MOST_CHARACTERS:
        raise InputError(f"passphrase: must have {LEAST_CHARACTERS} to {MOST_CHARACTERS} characters; four words do")
    folded = passphrase.casefold()
    if len(set(folded)) < LEAST_DIFFERENT or folded.replace(" ", "") in TOO_COMMON:
        raise InputError(
            "passphrase: is one of the first that would be tried; take four words that do not belong together"
        )
    if len(name) > 2 and name.casefold() in folded:
        raise InputError("passphrase: must not hold the name")
    return passphrase


def hashed(passphrase: str) -> str:
    """A passphrase as it is kept: scrypt, N = 2^15, r = 8, p = 1, with a salt of its own."""
    return generate_password_hash(passphrase, method="scrypt:32768:8:1", salt_length=16)


@cache
def _nobodys() -> str:
    """What an unknown name is held against, so that it takes as long as a known one."""
    return hashed(secrets.token_hex(16))


def digest(secret: str) -> str:
    """A random secret as it is kept."""
    return hashlib.sha256(secret.encode()).hexdigest()


class People:
    """Who may do what on one dashboard."""

    def __init__(self, rows: PeopleRows) -> None:
        self.rows = rows

    def any(self) -> bool:
        """Whether anybody was made known. Raises StartError where that cannot be told."""
        return self.rows.anybody()

    def put(self, name: str, passphrase: str, may: str, now_ms: int) -> None:
        """Make somebody known, or give him another passphrase. Raises InputError."""
        name = checked_name(name)
        self.rows.put_person(Person(name, may, hashed(checked_passphrase(passphrase, name)), now_ms))

    # signing in -------------------------------------------------------------------------------------------------

    def sign_in(self, name: str, passphrase: str, address: str, now_ms: int) -> SignedIn | None:
        """Begin a session, or None where name or passphrase is wrong. Raises WaitError after too many tries."""
        name = " ".join(name.split())[:60]
        keys = [f"name {name.casefold()}", f"from {address}"]
        self._wait(keys, now_ms)
        person = self.rows.person(name)
        if not self._right(person, passphrase):
            self.rows.note_failed(keys, now_ms, now_ms - FORGET_MS)
            log.warning("a try to sign in as %r from %s failed", name, address)
            return None
        assert person is not None
        self.rows.forget_failed(keys)
        secret = secrets.token_urlsafe(32)
        self.rows.begin_session(digest(secret), person.name, now_ms, now_ms - IDLE_MS)
        log.info("%s signed in from %s", person.name, address)
        return SignedIn(person, secret)

    def _wait(self, keys: list[str], now_ms: int) -> None:
        limits = ((keys[0], NAME_FREE_TRIES, NAME_WAIT_MS), (keys[1], FREE_TRIES, ADDRESS_WAIT_MS))
        for key, free, longest_ms in limits:
            tries, last_ms = self.rows.failed(key)
            gone_ms = now_ms - last_ms
            if tries < free or not 0 <= gone_ms < FORGET_MS:  # a clock that was set back makes nobody wait
                continue
            wait_ms = min(1000 << min(tries - free, 30), longest_ms) - gone_ms
            if wait_ms > 0:
                raise WaitError(-(-wait_ms // 1000))

    def _right(self, person: Person | None, passphrase: str) -> bool:
        if len(passphrase) > MOST_CHARACTERS:
            return False
        if not _one_hash_at_a_time.acquire(timeout=HASH_WITHIN_S):
            raise WaitError(int(HASH_WITHIN_S))
        try:
            kept = person.passphrase_hash if person is not None else _nobodys()
            return check_password_hash(kept, passphrase) and person is not None
        finally:
            _one_hash_at_a_time.release()

    def change_passphrase(self, person: Person, old: str, new: str, address: str, now_ms: int) -> None:
        """Give oneself another passphrase; all sessions end. Raises InputError, WaitError."""
        keys = [f"name {person.name.casefold()}", f"from {address}"]
        self._wait(keys, now_ms)
        if not self._right(person, old):
            self.rows.note_failed(keys, now_ms, now_ms - FORGET_MS)
            raise InputError("the old passphrase is not right")
        self.put(person.name, new, person.may, now_ms)

    # who is it --------------------------------------------------------------------------------------------------

    def of_session(self, secret: str, now_ms: int) -> Person | None:
        """Who is signed in under a cookie's secret; None where the session has ended."""
        if not 0 < len(secret) <= 100:
            return None
        id_hash = digest(secret)
        found = self.rows.session(id_hash)
        if found is None:
            return None
        if now_ms - found.used_ms > IDLE_MS or now_ms - found.begun_ms > LONGEST_MS:
            self.rows.end_session(id_hash)
            return None
        if abs(now_ms - found.used_ms) > NOTE_USE_MS:
            self.rows.used_session(id_hash, now_ms)
        return found.person

    def sign_out(self, secret: str) -> None:
        self.rows.end_session(digest(secret))

    def sign_out_elsewhere(self, person: Person, secret: str) -> int:
        """End all that somebody has open but this; how many."""
        return self.rows.end_sessions(person.name, but=digest(secret))

    def of_token(self, token: str, now_ms: int) -> Script | None:
        """The script that has a token."""
        return self.rows.script_of(digest(token), now_ms) if 0 < len(token) <= 100 else None

    def new_token(self, label: str, may: str, now_ms: int) -> str:
        """A new token for a script; the one it had is worth nothing any more. Raises InputError."""
        token = secrets.token_urlsafe(32)
        self.rows.put_script(checked_name(label), may, digest(token), now_ms)
        return token
