"""The outbox's files: entries appended to numbered segments, read back after a restart. Nothing else knows their form.

A line per entry, ``CRC32 SESSION METER SEQUENCE AT_MS MONO_MS SET KIND REST``: a line cut short by a power failure is
known by its check sum and left out. Each write goes to the kernel at once, so a killed process loses nothing.

A segment lies on the card, or, where there is a ``quick`` folder (a file system in memory, which outlives the process
and not the power), there: what is delivered within seconds then never touches the card. ``to_card`` brings all to the
card, and new entries go there until ``to_memory``. ``sync`` forces what is on the card to be there for good.
"""

from __future__ import annotations

import contextlib
import os
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from loadbook.reading import QUANTITIES, Reading
from loadbook.transport.packs import Step

SEGMENT_BYTES = 256 * 1024


@dataclass(frozen=True, slots=True)
class Kept:
    """One entry as it waits: ``what`` is a reading, a gap's reason, or a step of the clock."""

    session: str
    meter: str
    sequence: int
    at_ms: int
    mono_ms: int
    clock_set: bool
    what: Reading | str | Step


def to_line(kept: Kept) -> bytes:
    """An entry as a line."""
    if isinstance(kept.what, Reading):
        kind = "r"
        values = (getattr(kept.what, q.name) for q in QUANTITIES)
        rest = ",".join(
            "" if v is None else str(round(v * 10**q.decimals)) for v, q in zip(values, QUANTITIES, strict=True)
        )
    elif isinstance(kept.what, Step):
        kind, rest = "s", f"{kept.what.from_ms},{kept.what.by_ms}"
    else:
        kind, rest = "g", kept.what
    body = (
        f"{kept.session} {kept.meter} {kept.sequence} {kept.at_ms} {kept.mono_ms} {int(kept.clock_set)} {kind} {rest}"
    ).encode()
    return b"%08x %s\n" % (zlib.crc32(body), body)


def from_line(line: bytes) -> Kept | None:
    """The entry of a line; None for a damaged one."""
    try:
        crc, body = line.rstrip(b"\n").split(b" ", 1)
        if not line.endswith(b"\n") or int(crc, 16) != zlib.crc32(body):
            return None
        session, meter, sequence, at_ms, mono_ms, clock_set, kind, rest = body.decode().split(" ", 7)
        what: Reading | str | Step
        if kind == "r":
            scaled = rest.split(",")
            values = {
                q.name: int(text) / 10**q.decimals for q, text in zip(QUANTITIES, scaled, strict=True) if text != ""
            }
            what = Reading(int(at_ms), **values)
        elif kind == "s":
            from_ms, by_ms = rest.split(",")
            what = Step(int(from_ms), int(by_ms))
        else:
            what = rest
        return Kept(session, meter, int(sequence), int(at_ms), int(mono_ms), clock_set == "1", what)
    except ValueError:
        return None


class Segments:
    """The files of one outbox. Not thread-safe; raises OSError when card or memory refuses."""

    def __init__(self, folder: Path, quick: Path | None = None) -> None:
        self.folder, self.quick = folder, quick
        self.sizes: dict[int, int] = {}
        self._in_memory: set[int] = set()
        """Segments that lie in ``quick``."""
        self._sessions: dict[int, str] = {}
        """Whose entries a segment has: each run of a poller begins one of its own."""
        for place in (quick, folder):  # one that was being brought to the card counts as brought
            if place is None:
                continue
            place.mkdir(parents=True, exist_ok=True)
            for path in place.glob("*.log"):
                if path.stem.isdigit():
                    number = int(path.stem)
                    self.sizes[number] = path.stat().st_size
                    (self._in_memory.add if place == quick else self._in_memory.discard)(number)
        for half in folder.glob("*.new"):
            if half.stem.isdigit():
                half.unlink(missing_ok=True)
        for number in self.sizes:
            if quick is not None and number not in self._in_memory:
                self._path(number, in_memory=True).unlink(missing_ok=True)
            first = next(self.read(number), None)
            if first is not None:
                self._sessions[number] = first.session
        self.active = max(self.sizes, default=0) + 1  # never append behind a line that may be cut short
        self.on_card = quick is None
        """Whether new segments are begun on the card."""
        self._fd = -1
        self._unsynced = False

    def _path(self, number: int, *, in_memory: bool | None = None) -> Path:
        there = number in self._in_memory if in_memory is None else in_memory
        return (self.quick if there and self.quick is not None else self.folder) / f"{number:08d}.log"

    @property
    def total_bytes(self) -> int:
        return sum(self.sizes.values())

    @property
    def memory_bytes(self) -> int:
        """Of them, those not on the card."""
        return sum(self.sizes[number] for number in self._in_memory)

    def sessions(self) -> frozenset[str]:
        """Runs of the poller of which anything is in these files."""
        return frozenset(self._sessions.values())

    def closed(self) -> list[int]:
        """Numbers of the segments that are no longer appended to, oldest first."""
        return sorted(n for n in self.sizes if n != self.active)

    def append(self, kept: Kept) -> int:
        """Write an entry; gives the segment it went to. All of the line or nothing of it."""
        if self.sizes.get(self.active, 0) >= SEGMENT_BYTES:
            self.rotate()
        if self._fd < 0:
            if self.active not in self.sizes and not self.on_card:
                self._in_memory.add(self.active)
            self._fd = os.open(self._path(self.active), os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o640)
            self.sizes.setdefault(self.active, 0)
        line = to_line(kept)
        done = os.write(self._fd, line)
        if done < len(line):  # a full card: take the torn piece back
            with contextlib.suppress(OSError):
                os.ftruncate(self._fd, self.sizes[self.active])
            raise OSError(28, "No space left on device")
        self.sizes[self.active] += len(line)
        self._sessions[self.active] = kept.session
        self._unsynced = True
        return self.active

    def rotate(self) -> None:
        """Begin a new segment."""
        if self._fd >= 0:
            self.sync()
            os.close(self._fd)
            self._fd = -1
        if self.active in self.sizes:
            self.active += 1

    def to_card(self) -> None:
        """Bring all that lies in memory to the card for good; what comes next goes there as well."""
        self.on_card = True
        if not self._in_memory:
            return
        if self._fd >= 0 and self.active in self._in_memory:
            os.close(self._fd)
            self._fd = -1
        for number in sorted(self._in_memory):
            path = self._path(number)
            half = self.folder / f"{number:08d}.new"
            try:
                with half.open("wb") as out:
                    out.write(path.read_bytes() if path.exists() else b"")
                    out.flush()
                    os.fdatasync(out.fileno())
                half.replace(self._path(number, in_memory=False))
            except OSError:
                with contextlib.suppress(OSError):
                    half.unlink()
                raise
            self._in_memory.discard(number)
            path.unlink(missing_ok=True)
        self._sync_folder()

    def to_memory(self) -> None:
        """What comes next may lie in memory again, where there is such a folder."""
        if self.quick is not None and self.on_card:
            self.rotate()
            self.on_card = False

    def sync(self) -> None:
        """Force what was appended on the card to be there for good."""
        if self._fd >= 0 and self._unsynced and self.active not in self._in_memory:
            os.fdatasync(self._fd)
            self._unsynced = False

    def _sync_folder(self) -> None:
        fd = os.open(self.folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)

    def read(self, number: int) -> Iterator[Kept]:
        """The entries of a segment, damaged lines left out."""
        with self._path(number).open("rb") as lines:
            for line in lines:
                kept = from_line(line)
                if kept is not None:
                    yield kept

    def delete(self, number: int) -> None:
        """Forget a segment."""
        self._path(number).unlink(missing_ok=True)
        self.sizes.pop(number, None)
        self._sessions.pop(number, None)
        self._in_memory.discard(number)

    def clear(self) -> None:
        """Forget all; after ``close``."""
        for number in list(self.sizes):
            with contextlib.suppress(OSError):
                self.delete(number)

    def close(self) -> None:
        if self._fd >= 0:
            with contextlib.suppress(OSError):
                self.sync()
            os.close(self._fd)
            self._fd = -1
