"""Messages nobody can read, kept for whoever wants to see what went wrong: bounded, never in the way.

Lines of JSON in ``set-aside/latest.jsonl``; when that is full it becomes ``set-aside/before.jsonl``.
"""

from __future__ import annotations

import base64
import json
import logging
import zlib
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from loadbook.events import iso

log = logging.getLogger(__name__)

FOLDER = "set-aside"
LATEST, BEFORE = "latest.jsonl", "before.jsonl"
MOST_BYTES = 2_000_000
"""Of each of the two files."""
MOST_OF_ONE = 64_000
"""Of a single message; what is longer is cut."""
MOST_PER_HOUR = 60
"""Written down in an hour; further ones are counted only, so that a talkative stranger does not wear out the card."""
HOUR_S = 3600.0
MOST_METERS = 200
MOST_MARKS = 500


@dataclass(slots=True)
class Counted:
    """What could not be read of one meter since the recorder started."""

    messages: int = 0
    entries: int = 0
    """Of them, those whose number was known."""
    why: str = ""
    at_ms: int = 0


class SetAside:
    """The quarantine of one recorder. Never raises: what cannot be kept is counted all the same."""

    def __init__(self, folder: Path) -> None:
        """``folder`` is the store's; nothing is made until there is something to keep."""
        self.folder = folder / FOLDER
        self.by_meter: dict[str, Counted] = {}
        self._marks: dict[int, None] = {}
        self._hour_s = -HOUR_S
        self._in_hour = 0
        self._logged_s: dict[str, float] = {}

    def keep(self, topic: str, payload: bytes, meter: str, why: str, entries: int, at_ms: int, now_s: float) -> int:
        """Count a message and keep it. ``entries``: how many of its entries could not be read, 0 where that is not
        known; ``at_ms`` is the wall clock, ``now_s`` monotonic. Gives a number that the same message always gets."""
        mark = zlib.crc32(payload)
        if meter not in self.by_meter and len(self.by_meter) >= MOST_METERS:
            meter = "others"
        counted = self.by_meter.setdefault(meter, Counted())
        counted.messages += 1
        counted.entries += entries
        counted.why, counted.at_ms = why, at_ms
        if now_s - self._logged_s.get(meter, -HOUR_S) >= HOUR_S:
            self._logged_s[meter] = now_s
            log.warning("meter %s: a message cannot be read and is set aside in %s: %s", meter, self.folder, why)
        if mark not in self._marks and self._may_write(now_s):
            while len(self._marks) >= MOST_MARKS:
                del self._marks[next(iter(self._marks))]
            self._marks[mark] = None
            self._write({"at": iso(at_ms), "topic": topic, "why": why, **_form(payload)})
        return mark

    def standing(self) -> dict[str, dict[str, Any]]:
        """For the recorder's state."""
        return {meter: asdict(counted) for meter, counted in self.by_meter.items()}

    def _may_write(self, now_s: float) -> bool:
        if now_s - self._hour_s >= HOUR_S:
            self._hour_s, self._in_hour = now_s, 0
        self._in_hour += 1
        return self._in_hour <= MOST_PER_HOUR

    def _write(self, row: dict[str, Any]) -> None:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            latest = self.folder / LATEST
            if latest.exists() and latest.stat().st_size >= MOST_BYTES:
                latest.replace(self.folder / BEFORE)
            with latest.open("a", encoding="utf-8") as out:
                out.write(json.dumps(row, ensure_ascii=False) + "\n")
        except OSError as bad:
            log.warning("%s: what cannot be read cannot be kept either: %s", self.folder, bad.strerror or bad)


def _form(payload: bytes) -> dict[str, Any]:
    """A message as it came: as text where it is UTF-8, else in base 64."""
    cut = {"cut_at_bytes": MOST_OF_ONE} if len(payload) > MOST_OF_ONE else {}
    payload = payload[:MOST_OF_ONE]
    try:
        return {"message": payload.decode(), **cut}
    except UnicodeDecodeError:
        return {"message_base64": base64.b64encode(payload).decode(), **cut}
