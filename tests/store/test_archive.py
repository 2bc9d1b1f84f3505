"""Archived days come back by the same queries as if they had never left."""

from __future__ import annotations

from contextlib import closing

import numpy as np
import pytest
from loadbook.reading import QUANTITIES, Reading
from loadbook.store.archive import DAY_MS, Archive
from loadbook.store.elsewhere import WithElsewhere
from loadbook.store.keeping import drop
from loadbook.store.sqlite_readings import SqliteStore, StoreError

pytest.importorskip("pyarrow", reason="needs the extra `archive`")
T0 = 1_790_000_000_000 // DAY_MS * DAY_MS
FAR = 1 << 53


@pytest.fixture
def store(tmp_path):
    made = SqliteStore(tmp_path / "data" / "readings.sqlite")
    rng = np.random.default_rng(3)
    rows = []
    for i, power in enumerate(rng.choice([0.0, 90.5, 2011.27], 3 * 2880)):
        volts = None if i % 7 == 0 else 230.12
        watts = None if i % 50 == 0 else float(power)
        rows.append(("m", Reading(T0 + 30_000 * i + i % 3, watts, volts, 8.745, energy_wh=i / 10)))
    made.append(rows)
    yield made
    made.close()


def test_a_day_comes_back_reading_by_reading(store, tmp_path):
    archive = Archive(tmp_path / "archive")
    before = list(store.series("m", 0, FAR).readings())
    minutes = store.minutes("m", 0, T0 + 3 * DAY_MS)
    fine = store.envelope("m", T0 + 3_600_000, T0 + 7_200_000, 100)
    list(archive.take(store, "m", T0 + 2 * DAY_MS))
    list(drop(store, "m", T0 + 2 * DAY_MS, [(T0 + 1000, T0 + 400_000)]))
    assert sorted(p.name for p in (tmp_path / "archive" / "m").iterdir()) == [
        "2026-09-21.parquet",
        "2026-09-22.parquet",
    ]
    assert len(store.series("m", 0, FAR)) < 3000
    with closing(WithElsewhere.beside(tmp_path / "data", archive)) as reader:
        assert list(reader.series("m", 0, FAR).readings()) == before
        assert reader.series("m", T0 + DAY_MS, T0 + DAY_MS + 60_000, ("voltage_v",)).voltage_v is not None
        again = reader.envelope("m", T0 + 3_600_000, T0 + 7_200_000, 100)
        seen = fine.readings > 0  # between readings the minute's figures are shown
        assert again.readings[seen].tolist() == fine.readings[seen].tolist()
        assert again.mean[seen] == pytest.approx(fine.mean[seen])
        assert reader.minutes("m", 0, T0 + 3 * DAY_MS).energy_wh == pytest.approx(minutes.energy_wh)
    assert {q.name for q in QUANTITIES} >= {"power_w"}


def test_late_readings_join_an_archived_day(store, tmp_path):
    archive = Archive(tmp_path / "archive")
    list(archive.take(store, "m", T0 + DAY_MS))
    list(drop(store, "m", T0 + DAY_MS, []))
    late = Reading(T0 + 12_345, power_w=77.0)
    store.append([("m", late)])
    list(archive.take(store, "m", T0 + DAY_MS))
    list(drop(store, "m", T0 + DAY_MS, []))
    found = archive.read("m", T0, T0 + DAY_MS)
    assert len(found) == 2881
    assert late in list(found.readings())
    written = archive.path("m", T0).stat().st_mtime_ns
    list(archive.take(store, "m", T0 + DAY_MS))
    assert archive.path("m", T0).stat().st_mtime_ns == written


def test_a_damaged_file_is_one_line(store, tmp_path):
    archive = Archive(tmp_path / "archive")
    list(archive.take(store, "m", T0 + DAY_MS))
    archive.path("m", T0).write_bytes(b"PAR1 nonsense")
    with pytest.raises(StoreError, match="cannot be read") as bad:
        archive.read("m", T0, T0 + DAY_MS)
    assert "\n" not in str(bad.value)
    assert len(archive.read("nobody", 0, FAR)) == 0
