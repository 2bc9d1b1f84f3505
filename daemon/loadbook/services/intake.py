"""The recorder's door: takes each poller's entries in order, once, and says what is missing. Pure.

Per run of a poller (session) and meter the sequence numbers have no hole. What comes again is passed over; what comes
too early is asked for again; what the poller no longer holds (``oldest``) will never come and is not waited for.

Nor is what cannot come: where a hole has been asked for again and again for a minute and nothing but the same message
that nobody can read has come of it, the hole is passed over. A poller whose messages were only lost on the way fills it
at the first asking, so nothing of it is ever given up by this.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from loadbook.transport.packs import Entry, Pack

Key = tuple[str, str]
"""(session, meter)"""

HOLE_WAIT_S = 60.0
HOLE_COMES = 3
"""A message that cannot be read must have come so often since a hole was asked for first."""
MOST_MARKS = 50


@dataclass(slots=True)
class _Hole:
    """Entries that are missing, since when they are asked for, and which unreadable messages have come since."""

    wanted: int
    since_s: float
    came: dict[int, int] = field(default_factory=dict)


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
        self.passed_over = 0
        """Entries that came only in messages nobody can read."""
        self._holes: dict[Key, _Hole] = {}

    def accept(self, pack: Pack, now_s: float = 0.0) -> Taken:
        """The entries of a pack that are new. The caller stores them, or calls ``rewind``. ``now_s`` is monotonic."""
        key = (pack.session, pack.meter)
        last, first = self.taken.get(key), pack.entries[0].sequence
        if last is None:
            last = pack.oldest - 1
        elif last < pack.oldest - 1:
            self.lost += pack.oldest - 1 - last
            last = pack.oldest - 1
        if first > last + 1:
            if not self._cannot_come(key, last + 1, now_s):
                return Taken(wanted=last + 1)
            self.passed_over += first - 1 - last
            last = first - 1
        fresh = tuple(entry for entry in pack.entries if entry.sequence > last)
        if not fresh:
            return Taken(known=True)
        self._holes.pop(key, None)
        self.taken[key] = fresh[-1].sequence
        return Taken(fresh)

    def unreadable(self, meter: str, mark: int) -> None:
        """A message of a meter came that cannot be read at all; ``mark`` tells one such message from another."""
        for key, hole in self._holes.items():
            if key[1] == meter and len(hole.came) < MOST_MARKS:
                hole.came[mark] = hole.came.get(mark, 0) + 1

    def _cannot_come(self, key: Key, wanted: int, now_s: float) -> bool:
        hole = self._holes.get(key)
        if hole is None or hole.wanted != wanted:
            self._holes[key] = _Hole(wanted, now_s)
            return False
        return now_s - hole.since_s >= HOLE_WAIT_S and max(hole.came.values(), default=0) >= HOLE_COMES

    def rewind(self, key: Key, sequence: int) -> None:
        """Entries after ``sequence`` could not be used after all; they will be sent again."""
        self.taken[key] = min(sequence, self.taken.get(key, sequence))

    def keep(self, keys: Collection[Key]) -> None:
        """Forget all runs of pollers but these."""
        self.taken = {key: sequence for key, sequence in self.taken.items() if key in keys}
        self._holes = {key: hole for key, hole in self._holes.items() if key in keys}
