"""Old full-rate days as Parquet files, one a meter and day (UTC): ``FOLDER/METER/2031-03-04.parquet``.

Columns are the store's own: ``at_ms`` int64, and each quantity a scaled int64, delta-packed, with nulls for "not read".
Needs pyarrow (the extra ``archive``).
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from loadbook.errors import StartError
from loadbook.reading import QUANTITY_BY_NAME, Column, Series
from loadbook.store.readings import ALL_QUANTITIES, empty_series, joined
from loadbook.store.sqlite_readings import SqliteStore, StoreError

DAY_MS = 86_400_000


def _parquet() -> tuple[Any, Any]:
    try:
        import pyarrow  # noqa: PLC0415 (156 MB that only its users have)
        import pyarrow.parquet  # noqa: PLC0415
    except ImportError:
        raise StartError("store.archive_folder: needs pyarrow; install loadbook with its extra `archive`") from None
    return pyarrow, pyarrow.parquet


class Archive:
    """One archive folder. Raises StartError without pyarrow."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._arrow, self._parquet = _parquet()

    def path(self, meter: str, day_ms: int) -> Path:
        """The file of the day that begins at ``day_ms``."""
        return self.folder / meter / f"{datetime.fromtimestamp(day_ms / 1000, UTC):%Y-%m-%d}.parquet"

    def write(self, meter: str, day_ms: int, series: Series) -> int:
        """Write a day's readings together with what the file has already; gives the file's size in bytes.

        When it returns, the file is on the card. Raises StoreError, and then the old file is as it was."""
        path = self.path(meter, day_ms)
        if path.exists():
            series = joined([series, self.read(meter, day_ms, day_ms + DAY_MS)], meter)
        columns: dict[str, Any] = {"at_ms": self._arrow.array(series.at_ms)}
        for name in ALL_QUANTITIES:
            column = series.column(name)
            if column is not None:
                missing = np.isnan(column)
                scaled = np.rint(np.where(missing, 0.0, column) * 10 ** QUANTITY_BY_NAME[name].decimals)
                columns[name] = self._arrow.array(scaled.astype(np.int64), mask=missing)
        part = path.with_suffix(".part")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._parquet.write_table(
                self._arrow.table(columns),
                part,
                use_dictionary=False,
                compression="zstd",
                column_encoding=dict.fromkeys(columns, "DELTA_BINARY_PACKED"),
            )
            fd = os.open(part, os.O_RDONLY)
            try:
                os.fsync(fd)
            finally:
                os.close(fd)
            part.replace(path)
        except OSError as bad:
            raise StoreError(f"{path}: cannot be written: {bad.strerror or bad}") from bad
        return path.stat().st_size

    def read(self, meter: str, start_ms: int, end_ms: int, quantities: Sequence[str] = ALL_QUANTITIES) -> Series:
        """Archived readings in the span. Raises StoreError for a damaged file."""
        parts = []
        for path in self._days(meter, start_ms, end_ms):
            try:
                table = self._parquet.read_table(path)
                at_ms = np.asarray(table.column("at_ms").to_numpy(), dtype=np.int64)
                rows = slice(int(np.searchsorted(at_ms, start_ms)), int(np.searchsorted(at_ms, end_ms)))
                columns: dict[str, Column | None] = dict.fromkeys(ALL_QUANTITIES)
                columns["power_w"] = np.full(rows.stop - rows.start, np.nan)
                for name in quantities:
                    if name in table.column_names:
                        scaled = np.asarray(table.column(name).to_numpy(), dtype=np.float64)[rows]
                        columns[name] = scaled / 10 ** QUANTITY_BY_NAME[name].decimals
            except (OSError, KeyError, self._arrow.ArrowException) as bad:
                raise StoreError(f"{path}: the archived day cannot be read: {str(bad).splitlines()[0]}") from bad
            parts.append(Series(at_ms=at_ms[rows], meter=meter, **columns))  # type: ignore[arg-type]
        return joined(parts, meter) if parts else empty_series(meter)

    def _days(self, meter: str, start_ms: int, end_ms: int) -> list[Path]:
        first, last = (self.path(meter, max(t, 0)).name for t in (start_ms, min(end_ms, 253_370_764_800_000) - 1))
        folder = self.folder / meter
        return sorted(p for p in folder.glob("*.parquet") if first <= p.name <= last) if folder.is_dir() else []

    def take(self, store: SqliteStore, meter: str, before_ms: int) -> Iterator[None]:
        """Write every whole day of a meter before an instant that the store has at full rate. A step a day."""
        span = store.span(meter)
        if span is None:
            return
        first_ms = span[0] // DAY_MS * DAY_MS
        for day_ms in range(first_ms, before_ms // DAY_MS * DAY_MS, DAY_MS):
            series = store.series(meter, day_ms, day_ms + DAY_MS)
            if len(series) and not self._has(meter, day_ms, series):
                self.write(meter, day_ms, series)
            yield

    def _has(self, meter: str, day_ms: int, series: Series) -> bool:
        if not self.path(meter, day_ms).exists():
            return False
        return bool(np.isin(series.at_ms, self.read(meter, day_ms, day_ms + DAY_MS, ("power_w",)).at_ms).all())
