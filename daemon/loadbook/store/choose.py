"""Which store of readings a site has: the one place that reads ``[store] kind``."""

from __future__ import annotations

from pathlib import Path

from loadbook.settings import Settings
from loadbook.store.connect import READINGS_FILE
from loadbook.store.readings import ReadingReader, ReadingStore
from loadbook.store.sqlite_readings import SqliteReader, SqliteStore


def open_store(settings: Settings, data: Path) -> ReadingStore:
    """The recorder's store; ``data`` is the store's folder. Raises StartError."""
    return SqliteStore(data / READINGS_FILE)


def open_reader(settings: Settings, data: Path) -> ReadingReader:
    """The same to read from, beside a running recorder. Raises StartError."""
    return SqliteReader.open(data)
