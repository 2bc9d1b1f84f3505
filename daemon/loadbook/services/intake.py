"""The recorder's door: takes each poller's entries in order, once, and says what is missing. Pure.

Per run of a poller (session) and meter the sequence numbers have no hole. What comes again is passed over; what comes
too early is asked for again; what the poller no longer holds (``oldest``) will never come and is not waited for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from loadbook.transport.packs import Entry, Pack

Key = tuple[str, str]
"""(session, meter)"""


@dataclass(frozen=True, slots=True)
class Taken:
    """``fresh`` entries to be stored; ``wanted``: the sequence number from which to send again, if any; ``known``:
    whether the pack brought nothing new, so that its sender should be told again what is committed."""

    fresh: tuple[Entry, ...] = ()
    wanted: int | None = None
    known: bool = False


class Intake:
    """How far each session of each meter has been taken."""

    def __init__(self, committed: Mapping[Key, int]) -> None:
        self.taken: dict[Key, int] = dict(committed)
        self.lost = 0
        """Entries that pollers gave up before they came here."""

    def accept(self, pack: Pack) -> Taken:
        """The entries of a pack that are new. The caller stores them, or calls ``rewind``."""
        key = (pack.session, pack.meter)
        last = self.taken.get(key)
        if last is None:
            last = pack.oldest - 1
        elif last < pack.oldest - 1:
            self.lost += pack.oldest - 1 - last
            last = pack.oldest - 1
        if pack.entries[0].sequence > last + 1:
            return Taken(wanted=last + 1)
        fresh = tuple(entry for entry in pack.entries if entry.sequence > last)
        if not fresh:
            return Taken(known=True)
        self.taken[key] = fresh[-1].sequence
        return Taken(fresh)

    def rewind(self, key: Key, sequence: int) -> None:
        """Entries after ``sequence`` could not be used after all; they will be sent again."""
        self.taken[key] = min(sequence, self.taken.get(key, sequence))
