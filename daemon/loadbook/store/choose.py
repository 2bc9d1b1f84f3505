"""Which store of readings a site has: the one place that reads ``[store] kind``."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from loadbook.settings import Settings, Store
from loadbook.store.archive import Archive
from loadbook.store.connect import READINGS_FILE
from loadbook.store.elsewhere import WithElsewhere
from loadbook.store.readings import ReadingReader
from loadbook.store.sqlite_readings import SqliteReader, SqliteStore

if TYPE_CHECKING:
    from loadbook.store.server import Server


def open_store(settings: Settings, data: Path, folder: Path) -> SqliteStore:
    """The recorder's store; ``data`` is the store's folder, ``folder`` the settings file's. Raises LoadbookError."""
    if settings.store.kind == "sqlite":
        if settings.store.archive_folder:
            open_archive(settings, folder)  # says at once that something is missing
        return SqliteStore(data / READINGS_FILE)
    from loadbook.store.line_protocol import ServerStore  # noqa: PLC0415 (takes a second that only its users pay)
    from loadbook.store.server import Server  # noqa: PLC0415

    return ServerStore(data / READINGS_FILE, Server(settings.store, settings.site.name, folder))


def open_reader(settings: Settings, folder: Path) -> ReadingReader:
    """The same to read from, beside a running recorder; ``folder`` is the settings file's. Raises LoadbookError."""
    data = folder / settings.store.folder
    if settings.store.kind == "line_protocol":
        return WithElsewhere.beside(data, _server(settings.store, settings.site.name, folder))
    archive = open_archive(settings, folder)
    return SqliteReader.open(data) if archive is None else WithElsewhere.beside(data, archive)


def open_archive(settings: Settings, folder: Path) -> Archive | None:
    """The archive of old days, where the settings name one. Raises StartError without pyarrow."""
    if settings.store.kind != "sqlite" or not settings.store.archive_folder:
        return None
    return Archive(folder / settings.store.archive_folder)


@lru_cache(maxsize=4)
def _server(store: Store, site: str, folder: Path) -> Server:
    """One connection pool for all readers of a process."""
    from loadbook.store.server import Server  # noqa: PLC0415

    return Server(store, site, folder)
