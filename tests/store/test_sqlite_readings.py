"""The SQLite store of readings: what goes in comes out, once, at any cut."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from loadbook.errors import StartError
from loadbook.reading import QUANTITIES, Reading
from loadbook.store.readings import Delivered
from loadbook.store.sqlite_readings import SqliteReader, SqliteStore, StoreError, energy_of

T0 = 1_790_000_000_000


@pytest.fixture
def store(tmp_path: Path):
    made = SqliteStore(tmp_path / "readings.sqlite")
    yield made
    made.close()


def minute_of(power_w: float, start_ms: int = T0, n: int = 60) -> list[tuple[str, Reading]]:
    return [("quay-m1", Reading(start_ms + 1000 * i, power_w=power_w, voltage_v=230.0)) for i in range(n)]


VALUES = {
    q.name: st.none() | st.floats(-1e6, 1e6, allow_nan=False).map(lambda v, d=q.decimals: round(v, d))
    for q in QUANTITIES
}
READINGS = st.builds(Reading, at_ms=st.integers(T0, T0 + 5_000), **VALUES)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(st.tuples(st.sampled_from(["a-1", "b-2"]), READINGS), max_size=30))
def test_each_reading_comes_back_once_and_unchanged(tmp_path_factory, rows):
    store = SqliteStore(tmp_path_factory.mktemp("s") / "readings.sqlite")
    first: dict[tuple[str, int], Reading] = {}
    for meter, reading in rows:
        first.setdefault((meter, reading.at_ms), reading)
    assert store.append(rows) == len(first)
    assert store.append(rows) == 0
    for meter in ("a-1", "b-2"):
        want = sorted((r for (m, _), r in first.items() if m == meter), key=lambda r: r.at_ms)
        got = list(store.series(meter, T0, T0 + 10_000).readings())
        assert [r.at_ms for r in got] == [r.at_ms for r in want]
        for ours, theirs in zip(got, want, strict=True):
            for quantity in QUANTITIES:
                a, b = getattr(ours, quantity.name), getattr(theirs, quantity.name)
                assert a == pytest.approx(b, abs=10**-quantity.decimals / 2) if b is not None else a is None
        assert (None if store.last(meter) is None else store.last(meter).at_ms) == (want[-1].at_ms if want else None)
        assert store.span(meter) == ((want[0].at_ms, want[-1].at_ms) if want else None)
    store.close()


def test_envelope_is_low_mean_and_high_of_each_slice(store):
    powers = [float(i % 10) for i in range(600)]
    store.append([("m", Reading(T0 + 1000 * i, power_w=p)) for i, p in enumerate(powers)])
    drawn = store.envelope("m", T0, T0 + 600_000, 6)
    assert drawn.low.tolist() == [0.0] * 6
    assert drawn.high.tolist() == [9.0] * 6
    assert drawn.mean.tolist() == [4.5] * 6
    assert drawn.readings.tolist() == [100] * 6
    assert drawn.at_ms().tolist() == [T0 + 100_000 * i for i in range(6)]
    beyond = store.envelope("m", T0 + 590_000, T0 + 610_000, 2)
    assert beyond.readings.tolist() == [10, 0]
    assert np.isnan(beyond.mean[1])
    assert np.isnan(store.envelope("nobody", T0, T0 + 1000, 3).mean).all()


def test_energy_is_held_for_ten_seconds_and_no_longer(store):
    # 3600 W for 10 s is 10 Wh; the second reading of two a minute apart adds nothing more.
    store.append([("m", Reading(T0, power_w=3600.0)), ("m", Reading(T0 + 60_000, power_w=0.0))])
    assert store.energy_wh("m", T0, T0 + 120_000) == pytest.approx(10.0)
    assert energy_of(store.series("m", T0, T0 + 1)) == 0.0


@pytest.mark.parametrize("by_ms", [94_608_000_000, 30_000, -30_000])
def test_a_moved_stretch_keeps_every_reading(store, by_ms):
    store.append(minute_of(5.0, T0 - 3_600_000))
    store.append(minute_of(100.0))
    assert store.shift("quay-m1", T0, T0 + 60_000, by_ms, "s/m/1") == 60
    assert store.shift("quay-m1", T0 + by_ms, T0 + by_ms + 60_000, by_ms, "s/m/1") == 0
    moved = store.series("quay-m1", T0 + by_ms, T0 + by_ms + 60_000)
    assert len(moved) == 60
    assert set(np.diff(moved.at_ms).tolist()) == {1000}
    assert store.last("quay-m1").at_ms == T0 + by_ms + 59_000
    assert len(store.series("quay-m1", 0, 2 * T0)) == 120


def test_readings_moved_onto_older_ones_all_stay(store):
    store.append(minute_of(1.0))
    store.append(minute_of(2.0, T0 + 3_600_000))
    assert store.shift("quay-m1", T0 + 3_600_000, 1 << 53, -3_600_000, "s/quay-m1/1") == 60
    series = store.series("quay-m1", 0, 1 << 53)
    assert sorted(series.power_w.tolist()) == [1.0] * 60 + [2.0] * 60
    assert series.at_ms[-1] == T0 + 59_001
    assert store.span("quay-m1") is not None


def test_readers_see_what_is_committed_and_cannot_write(store, tmp_path):
    store.append(minute_of(42.0))
    reader = SqliteReader.open(tmp_path)
    assert len(reader.series("quay-m1", T0, T0 + 60_000)) == 60
    assert reader.last("quay-m1").power_w == 42.0
    with pytest.raises(Exception, match="readonly"):
        reader.db.execute("DELETE FROM reading")
    reader.close()


def test_a_missing_store_is_one_line(tmp_path):
    with pytest.raises(StartError, match="cannot be read") as bad:
        SqliteReader.open(tmp_path)
    assert "\n" not in str(bad.value)


def test_a_folder_that_is_a_file_is_one_line(tmp_path):
    (tmp_path / "taken").write_text("x")
    with pytest.raises(StartError, match="cannot be opened for writing") as bad:
        SqliteStore(tmp_path / "taken" / "readings.sqlite")
    assert "\n" not in str(bad.value)


def test_a_full_card_loses_nothing_that_was_stored(store):
    store.append(minute_of(1.0))
    pages = store.db.execute("PRAGMA page_count").fetchone()[0]
    store.db.execute(f"PRAGMA max_page_count = {pages}")
    rows = minute_of(2.0, T0 + 3_600_000, 5000)
    with pytest.raises(StoreError, match="full"):
        store.append(rows)
    assert len(store.series("quay-m1", 0, 2 * T0)) == 60
    store.db.execute("PRAGMA max_page_count = 1000000")
    assert store.append(rows) == 5000


WRITER = """
import sys
from pathlib import Path
from loadbook.reading import Reading
from loadbook.store.sqlite_readings import SqliteStore
store = SqliteStore(Path(sys.argv[1]) / "readings.sqlite")
i = 0
while True:
    store.append([("m", Reading(1_790_000_000_000 + 1000 * (i + k), power_w=float(i + k))) for k in range(7)])
    i += 7
    print(i, flush=True)
"""


def test_what_was_reported_as_stored_survives_a_kill(tmp_path):
    child = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True, env=dict(os.environ)
    )
    assert child.stdout is not None
    reported = 0
    for line in child.stdout:
        reported = int(line)
        if reported >= 140:
            child.send_signal(signal.SIGKILL)
            break
    reported = max([reported, *(int(line) for line in child.stdout)])
    child.wait()
    store = SqliteStore(tmp_path / "readings.sqlite")
    powers = store.series("m", T0, 2 * T0).power_w
    assert len(powers) >= reported
    assert powers.tolist() == [float(i) for i in range(len(powers))]
    store.close()


def test_readings_and_what_is_delivered_share_a_commit(store, monkeypatch):
    store.append(minute_of(5.0), Delivered({("s1", "quay-m1"): 60}))
    assert store.committed() == {("s1", "quay-m1"): 60}
    monkeypatch.setattr(SqliteStore, "_mark_delivered", lambda *_: store.db.execute("SELECT nonsense"))
    with pytest.raises(StoreError):
        store.append(minute_of(5.0, T0 + 60_000), Delivered({("s1", "quay-m1"): 120}))
    assert len(store.series("quay-m1", 0, 1 << 53)) == 60


@pytest.mark.parametrize(("held", "left"), [(("run-00", "run-19"), 4), ((), 20)])
def test_runs_that_can_send_nothing_more_are_forgotten_with_their_moves(store, held, left):
    for i in range(20):
        start_ms = T0 + 60_000 * i
        store.append(minute_of(5.0, start_ms), Delivered({(f"run-{i:02}", "quay-m1"): 60, (f"run-{i:02}", "other"): 1}))
        store.shift("quay-m1", start_ms, start_ms + 60_000, 1, f"run-{i:02}/quay-m1/7")
    store.append([], Delivered(holds={"quay-m1": frozenset(held)}))
    known = {session for session, meter in store.committed() if meter == "quay-m1"}
    assert known >= {*held, "run-17", "run-18", "run-19"}
    assert len(known) == left
    assert {m.split("/")[0] for (m,) in store.db.execute("SELECT mark FROM moved")} == known
    assert len([1 for _, meter in store.committed() if meter == "other"]) == 20


def test_however_many_runs_of_a_poller_that_says_nothing_they_are_bounded(store):
    for i in range(130):
        store.append([("m1", Reading(T0 + i, power_w=1.0))], Delivered({(f"run-{i}", "m1"): 1}, {"m1": frozenset()}))
    assert len(store.committed()) <= 101
    assert ("run-129", "m1") in store.committed()
