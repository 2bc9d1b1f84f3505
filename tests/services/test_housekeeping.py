"""Housekeeping beside a real recorder: rolled up, dropped, summed up, and no fuller than the card allows."""

from __future__ import annotations

from contextlib import closing
from zoneinfo import ZoneInfo

import pytest
from loadbook.clock import Clock
from loadbook.events import Alert, AlertChanged, Cycle, CycleChanged
from loadbook.machine import parse_machine
from loadbook.reading import Reading
from loadbook.services.housekeeping import Housekeeping, summary, yesterday
from loadbook.services.recorder import Recorder
from loadbook.store.connect import READINGS_FILE
from loadbook.store.ledger import Ledger
from loadbook.store.sqlite_readings import SqliteReader, SqliteStore
from loadbook.transport.embedded import EmbeddedBroker

from tests.chain.site import settings_of, until, write_site

DAY_MS = 86_400_000
T0 = 1_790_000_040_000 // DAY_MS * DAY_MS
MACHINE = parse_machine('[machine]\nid = "quay-washer-1"\nname = "Washer 1"\nkind = "washing_machine"\n', "quay.toml")


@pytest.fixture
def recorder(tmp_path):
    (tmp_path / "data").mkdir()
    with closing(SqliteStore(tmp_path / "data" / READINGS_FILE)) as store:
        for day in range(6):
            store.append(
                [("m1", Reading(T0 + day * DAY_MS + 30_000 * i, power_w=100.0, energy_wh=i * 0.8)) for i in range(2880)]
            )
    path = write_site(tmp_path, {}, {"store.keep_full_rate_days": "3"})
    settings = settings_of(path)
    broker = EmbeddedBroker(settings.broker.port)
    broker.start()
    made = Recorder(settings, tmp_path, Clock())
    made.startup()
    yield made
    made.shutdown()
    broker.stop()


def full_rate_from(recorder: Recorder) -> int:
    with closing(SqliteReader.open(recorder.data)) as reader:
        span = reader.span("m1")
    assert span is not None
    return span[0]


def test_the_night_drops_what_is_old_and_keeps_its_energy(recorder):
    keeper = Housekeeping(recorder)
    keeper.startup()
    with closing(SqliteReader.open(recorder.data)) as reader:
        before = reader.energy_wh("m1", 0, 1 << 53)
    keeper.night()
    until(lambda: full_rate_from(recorder) >= T0 + 2 * DAY_MS)
    until(lambda: not keeper._running)
    with closing(SqliteReader.open(recorder.data)) as reader:
        assert reader.energy_wh("m1", 0, 1 << 53) == pytest.approx(before)
        assert reader.envelope("m1", T0, T0 + DAY_MS, 24).readings.tolist() == [120] * 24
    assert keeper.healthy()
    keeper.shutdown()


def test_a_card_that_fills_up_takes_full_rate_and_not_the_newest_days(recorder, monkeypatch, caplog):
    class Usage:
        free = 1_000_000

    monkeypatch.setattr("loadbook.services.housekeeping.shutil.disk_usage", lambda _: Usage)
    keeper = Housekeeping(recorder)
    keeper.look_at_space()
    until(lambda: full_rate_from(recorder) >= T0 + 3 * DAY_MS)
    until(lambda: not keeper._running)
    assert full_rate_from(recorder) <= T0 + 4 * DAY_MS
    assert recorder._trouble == "the card has 1 MB left"
    assert any("MB left" in r.message for r in caplog.records)
    Usage.free = 10**12
    keeper.look_at_space()
    assert recorder._trouble == ""


def test_a_clock_set_back_plans_the_jobs_anew(recorder, monkeypatch, caplog):
    keeper = Housekeeping(recorder)
    keeper.startup()
    first = keeper._scheduler
    keeper.turn()
    assert keeper._scheduler is first
    now_ms = recorder.clock.now_ms
    monkeypatch.setattr(recorder.clock, "now_ms", lambda: now_ms() - 3_600_000)
    keeper.turn()
    assert keeper._scheduler is not first
    assert keeper.healthy()
    keeper.shutdown()


def test_yesterday_is_summed_up(tmp_path):
    zone = ZoneInfo("Europe/Berlin")  # midnight there is 22:00 UTC of the day before
    midnight_ms = T0 - 2 * 3_600_000
    with closing(Ledger.open(tmp_path)) as ledger:
        with ledger.transaction():
            ledger.put_machine(MACHINE, "m1")
            ends = ((-1000, "completed"), (1000, "completed"), (DAY_MS - 1, "stopped_early"), (5, "running"))
            for at_ms, outcome in ends:
                end_ms = midnight_ms + at_ms
                cycle = Cycle(end_ms - 10, end_ms - 10, end_ms, outcome=outcome, energy_kwh=0.5)
                cycle.cost, cycle.currency = "0.25", "EUR"
                ledger.apply("quay-washer-1", CycleChanged(end_ms, cycle))
            ledger.apply("quay-washer-1", AlertChanged(0, Alert("power_low", midnight_ms, midnight_ms + 5)))
        day = summary(ledger.db, zone, yesterday(zone, midnight_ms + DAY_MS + 3 * 3_600_000))
    assert day["machines"] == [
        {"machine": "quay-washer-1", "cycles": 2, "stopped_early": 1, "energy_kwh": 1.0, "cost": 0.5, "currency": "EUR",
         "alerts": 1}
    ]  # fmt: skip
