"""Old readings: the minute's figures are right, energy stays exact, and what somebody needs stays at full rate."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from loadbook.events import Alert, AlertChanged, Cycle, CycleChanged
from loadbook.machine import parse_machine
from loadbook.reading import Reading
from loadbook.store.keeping import drop, kept_spans, roll_up
from loadbook.store.ledger import Ledger
from loadbook.store.sqlite_readings import SqliteStore

T0 = 1_790_000_040_000 // 60_000 * 60_000
FAR = 1 << 53


@pytest.fixture
def store(tmp_path):
    made = SqliteStore(tmp_path / "readings.sqlite")
    yield made
    made.close()


def day(n: int, start_ms: int = T0) -> list[tuple[str, Reading]]:
    rng = np.random.default_rng(5)
    power = np.round(rng.choice([0.0, 90.0, 2000.0], n) + rng.random(n), 2)
    # Every tenth minute begins with a reading that has no power.
    return [
        ("m", Reading(start_ms + 1000 * i, power_w=float(p) if i % 600 else None, voltage_v=230.0))
        for i, p in enumerate(power)
    ]


def test_minutes_are_lowest_mean_highest_and_energy(store):
    powers = [60.0] * 60 + [0.0] * 30 + [120.0] * 30
    store.append([("m", Reading(T0 + 1000 * i, power_w=p, energy_wh=float(i))) for i, p in enumerate(powers)])
    store.append([("m", Reading(T0 + 120_000, power_w=0.0))])
    list(roll_up(store, "m"))
    rows = store.db.execute("SELECT * FROM minute").fetchall()
    assert [r[1:6] for r in rows] == [(T0, 60, 60.0, 60.0, 60.0), (T0 + 60_000, 60, 0.0, 60.0, 120.0)]
    assert [r[9] for r in rows] == pytest.approx([1.0, 1.0])  # 60 W for a minute is 1 Wh
    assert [r[10] for r in rows] == [59.0, 119.0]


def test_energy_is_the_same_before_and_after_the_full_rate_has_gone(store):
    store.append(day(7000))
    whole = store.energy_wh("m", T0, FAR)
    minutes = store.minutes("m", T0, T0 + 7_200_000)
    before = store.envelope("m", T0, T0 + 6_000_000, 20)
    list(drop(store, "m", T0 + 6_000_000, []))
    assert len(store.series("m", 0, FAR)) == 1000
    assert store.energy_wh("m", T0, FAR) == pytest.approx(whole, abs=1e-9)
    after = store.minutes("m", T0, T0 + 7_200_000)
    assert after.minute_ms.tolist() == minutes.minute_ms.tolist()
    assert after.energy_wh == pytest.approx(minutes.energy_wh, abs=1e-9)
    assert minutes.energy_wh.sum() == pytest.approx(whole)
    drawn = store.envelope("m", T0, T0 + 6_000_000, 20)
    assert drawn.low.tolist() == before.low.tolist()
    assert drawn.high.tolist() == before.high.tolist()
    assert drawn.mean == pytest.approx(before.mean)
    close = store.envelope("m", T0, T0 + 600_000, 100)
    assert not np.isnan(close.mean).any()  # narrower than a minute: each slice shows the minute it is in
    assert store.span("m") == (T0 + 6_000_000, T0 + 6_999_000)


def test_a_gap_is_bridged_by_the_counter_and_rolled_over(store):
    later = T0 + 40 * 86_400_000
    store.append(
        [("m", Reading(T0, power_w=0.0, energy_wh=100.0)), ("m", Reading(later, power_w=0.0, energy_wh=350.0))]
    )
    store.append([("m", Reading(later + 120_000, power_w=0.0, energy_wh=350.0))])
    assert store.energy_wh("m", 0, FAR) == 250.0
    steps = sum(1 for _ in roll_up(store, "m"))
    assert steps < 10
    assert store.minutes("m", 0, FAR // 2).energy_wh.sum() == pytest.approx(250.0)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cuts=st.lists(st.integers(0, 1500), max_size=4), order=st.randoms())
def test_whatever_the_order_of_arrival_the_minutes_are_the_same(tmp_path_factory, cuts, order):
    rows = day(1500)
    whole = SqliteStore(tmp_path_factory.mktemp("a") / "readings.sqlite")
    whole.append(rows)
    list(roll_up(whole, "m"))
    pieces = SqliteStore(tmp_path_factory.mktemp("b") / "readings.sqlite")
    edges = sorted({0, *cuts, len(rows)})
    parts = [rows[a:b] for a, b in pairwise(edges)]
    order.shuffle(parts)
    for part in parts:
        pieces.append(part)
        list(roll_up(pieces, "m"))
    sql = "SELECT * FROM minute ORDER BY minute_ms"
    assert pieces.db.execute(sql).fetchall() == whole.db.execute(sql).fetchall()
    whole.close()
    pieces.close()


def test_late_readings_for_a_dropped_stretch_add_to_what_is_known(store):
    rows = day(7200)
    late = rows[3000:3060]
    store.append(rows[:3000] + rows[3060:])
    list(drop(store, "m", T0 + 6_000_000, []))
    n = store.db.execute("SELECT count(*) FROM minute").fetchone()[0]
    store.append(late)  # a whole minute nobody had
    list(drop(store, "m", T0 + 6_000_000, []))
    assert store.db.execute("SELECT count(*) FROM minute").fetchone()[0] == n + 1
    assert len(store.series("m", 0, T0 + 6_000_000)) == 0


def test_cycles_with_alerts_or_pinned_stay_at_full_rate(store, tmp_path):
    store.append(day(20_000))
    ledger = Ledger.open(tmp_path)
    starts = [T0 + 1_000_000, T0 + 8_000_000, T0 + 15_000_000]
    with ledger.transaction():
        text = '[machine]\nid = "quay-washer-1"\nname = "Washer 1"\nkind = "washing_machine"\n'
        ledger.put_machine(parse_machine(text, "quay.toml"), "m")
        for start_ms in starts:
            ledger.apply("quay-washer-1", CycleChanged(T0, Cycle(start_ms, start_ms, start_ms + 900_000)))
        ledger.apply("quay-washer-1", AlertChanged(T0, Alert("power_low", 1, 2, cycle_key_ms=starts[0])))
        ledger.db.execute("UPDATE cycle SET pinned = 1 WHERE key_ms = ?", (starts[1],))
    keep = kept_spans(ledger.db, "m")
    assert keep == [(starts[0] - 600_000, starts[0] + 1_500_000), (starts[1] - 600_000, starts[1] + 1_500_000)]
    whole = store.energy_wh("m", T0, FAR)
    list(drop(store, "m", T0 + 19_980_000, keep))
    at_ms = store.series("m", 0, FAR).at_ms
    assert len(at_ms) == 2100 + 2100 + 20
    for start_ms, end_ms in keep:
        assert ((at_ms >= start_ms) & (at_ms < end_ms)).sum() == (end_ms - start_ms) // 1000
    assert store.energy_wh("m", T0, FAR) == pytest.approx(whole, abs=1e-9)
    fine = store.envelope("m", starts[0], starts[0] + 300_000, 300)
    assert (fine.readings == 1).sum() == 299
    ledger.close()
