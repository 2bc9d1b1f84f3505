"""Bytes as they come into whole telegrams. Pure; keeps at most ``MOST_BYTES``, begins in the middle without harm."""

from __future__ import annotations

from typing import Protocol

from loadbook.meters.telegrams.sml import BEGIN, ESCAPE

MOST_BYTES = 16_384
"""Longer than any telegram; what has no end by then is noise."""


class Splitter(Protocol):
    """Takes bytes, gives the telegrams they complete, each still to be checked."""

    def feed(self, data: bytes) -> list[bytes]: ...


class _Kept:
    """Bytes not yet used, with a limit."""

    def __init__(self) -> None:
        self.kept = b""

    def add(self, data: bytes) -> None:
        self.kept = (self.kept + data)[-MOST_BYTES:]


class TelegramSplitter(_Kept):
    """From "/" to the end of the line with "!": P1 and IEC 62056-21 mode D."""

    def feed(self, data: bytes) -> list[bytes]:
        self.add(data)
        found: list[bytes] = []
        while True:
            start = self.kept.find(b"/")
            if start < 0:
                self.kept = b""
                return found
            mark = self.kept.find(b"!", start)
            end = self.kept.find(b"\n", mark) if mark >= 0 else -1
            if end < 0:
                self.kept = self.kept[start:]
                return found
            # A telegram broken off by the next one begins at the last "/" that starts a line.
            begun = self.kept.rfind(b"\n/", start, mark)
            found.append(self.kept[begun + 1 if begun >= 0 else start : end + 1])
            self.kept = self.kept[end + 1 :]


class SmlSplitter(_Kept):
    """From the begin mark to the end mark with its three bytes."""

    def feed(self, data: bytes) -> list[bytes]:
        self.add(data)
        found: list[bytes] = []
        while True:
            start = self.kept.find(BEGIN)
            if start < 0:
                self.kept = self.kept[-(len(BEGIN) - 1) :]
                return found
            end = _end_of(self.kept, start + len(BEGIN))
            if end is None:
                self.kept = self.kept[start:]
                return found
            begun = self.kept.rfind(BEGIN, start, end)  # broken off by the next one
            found.append(self.kept[begun:end])
            self.kept = self.kept[end:]


def _end_of(data: bytes, place: int) -> int | None:
    """Where the frame ends: behind the first end mark that is no data. An escape within data stands twice."""
    while (place := data.find(ESCAPE, place)) >= 0 and len(data) >= place + 8:
        if data[place + 4] == 0x1A:
            return place + 8
        place += 8 if data.startswith(ESCAPE, place + 4) else 1
    return None


class LineSplitter(_Kept):
    """Lines of text; what came before the first end of a line was joined in the middle and is left out."""

    def __init__(self) -> None:
        super().__init__()
        self._joined = False

    def feed(self, data: bytes) -> list[bytes]:
        self.add(data)
        *lines, self.kept = self.kept.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
        if lines and not self._joined:
            lines, self._joined = lines[1:], True
        return [line for line in lines if line.strip()]
