"""The server store against a real victoria-metrics: nothing lost while it is away or killed, nothing written twice."""

from __future__ import annotations

import json
import time
from contextlib import closing
from pathlib import Path
from urllib.parse import quote
from urllib.request import urlopen

import pytest
from loadbook.reading import QUANTITIES, Reading
from loadbook.settings import Store
from loadbook.store import line_protocol
from loadbook.store.elsewhere import WithElsewhere
from loadbook.store.keeping import drop
from loadbook.store.line_protocol import ServerStore
from loadbook.store.server import Server, line_of
from loadbook.store.sqlite_readings import StoreError

from tests.chain.site import until
from tests.store.metrics_server import MetricsServer

pytestmark = pytest.mark.server_store
T0 = int(time.time() * 1000) // 60_000 * 60_000 - 3 * 3_600_000
"""A server drops what lies far in the future, so these tests play in the last hours."""
FAR = 1 << 53


@pytest.fixture
def metrics(tmp_path):
    made = MetricsServer(tmp_path / "metrics").start()
    yield made
    made.kill()


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    for name, value in (("SETTLE_S", 1.0), ("TURN_S", 0.1), ("AWAY_S", 0.3)):
        monkeypatch.setattr(line_protocol, name, value)


def server(metrics: MetricsServer) -> Server:
    return Server(Store(kind="line_protocol", url=metrics.url), "quay-street", Path())


def rows(first: int, n: int) -> list[tuple[str, Reading]]:
    return [
        ("m1", Reading(T0 + 1000 * i, power_w=i + 0.25, voltage_v=230.12, current_a=1.234, energy_wh=1_000_000.1 + i))
        for i in range(first, first + n)
    ]


def settled(store: ServerStore, last: int) -> None:
    store.settle("m1", FAR)

    def sure() -> bool:
        store.append([])  # as the recorder's commits do: writes down what the thread found out
        return store.droppable_ms("m1") >= T0 + 1000 * last

    until(sure)


def values_on_server(metrics: MetricsServer, name: str = "power_w") -> list[float]:
    """Raw, equal times and all."""
    match = quote(f'loadbook_{name}{{meter="m1"}}')
    with urlopen(f"{metrics.url}/api/v1/export?match[]={match}") as answer:
        lines = answer.read().splitlines()
    return [v for line in lines for v in json.loads(line)["values"]]


def test_every_quantity_comes_back_as_it_went(metrics):
    sent = [
        Reading(T0, **{q.name: 1234567.891 for q in QUANTITIES}),
        Reading(T0 + 1000, power_w=0.0),
        Reading(T0 + 2000, voltage_v=229.9),
        Reading(T0 + 3000),
    ]
    with closing(server(metrics)) as made:
        made.write("m1", sent)
        back = list(made.read("m1", T0, T0 + 10_000).readings())
    want = [
        Reading(r.at_ms, **{q.name: round(v, q.decimals) for q in QUANTITIES if (v := getattr(r, q.name)) is not None})
        for r in sent
    ]
    assert back == want


def test_readings_get_to_the_server_once_and_are_read_from_there(metrics, tmp_path):
    store = ServerStore(tmp_path / "data" / "readings.sqlite", server(metrics))
    store.append(rows(0, 7000))
    settled(store, 6999)
    store.append(rows(6000, 2000))  # a thousand come twice
    settled(store, 7999)
    assert values_on_server(metrics) == [i + 0.25 for i in range(8000)]
    before = store.envelope("m1", T0, T0 + 7_920_000, 44)
    energy = store.energy_wh("m1", 0, FAR)
    list(drop(store, "m1", T0 + 7_200_000, []))
    assert store.db.execute("SELECT count(*) FROM reading").fetchone() == (800,)
    with closing(WithElsewhere.beside(tmp_path / "data", server(metrics))) as reader:
        assert reader.series("m1", 0, FAR).power_w.tolist() == [i + 0.25 for i in range(8000)]
        assert reader.series("m1", T0 + 7_199_000, T0 + 7_201_000).at_ms.tolist() == [T0 + 7_199_000, T0 + 7_200_000]
        assert reader.envelope("m1", T0, T0 + 7_920_000, 44).mean == pytest.approx(before.mean)
        near = reader.envelope("m1", T0 + 1_000_000, T0 + 1_100_000, 100)
        assert near.mean.tolist() == [i + 0.25 for i in range(1000, 1100)]
        assert reader.energy_wh("m1", 0, FAR) == pytest.approx(energy)
        assert reader.last("m1") == rows(7999, 1)[0][1]
        metrics.kill()  # then a close look shows the minute's figures instead of nothing
        coarse = reader.envelope("m1", T0 + 1_000_000, T0 + 1_100_000, 100)
        assert not any(v != v for v in coarse.mean.tolist())
        with pytest.raises(StoreError):
            reader.series("m1", T0, T0 + 1000)
    store.close()


def test_a_server_that_is_away_gets_it_later(metrics, tmp_path):
    metrics.kill()
    store = ServerStore(tmp_path / "data" / "readings.sqlite", server(metrics))
    store.settle("m1", FAR)
    store.append(rows(0, 500))
    until(lambda: store.trouble)
    assert metrics.url in store.trouble
    assert "\n" not in store.trouble
    assert store.series("m1", 0, FAR).power_w.tolist() == [i + 0.25 for i in range(500)]
    metrics.start()
    settled(store, 499)
    assert store.trouble == ""
    assert values_on_server(metrics) == [i + 0.25 for i in range(500)]
    store.close()


def test_what_a_killed_server_had_taken_and_lost_is_sent_again(metrics, tmp_path, monkeypatch):
    monkeypatch.setattr(line_protocol, "SETTLE_S", 4.0)
    store = ServerStore(tmp_path / "data" / "readings.sqlite", server(metrics))
    store.settle("m1", FAR)
    store.append(rows(0, 300))
    with closing(server(metrics)) as look:
        until(lambda: len(look.read("m1", T0, T0 + 300_000)) == 300)
        metrics.kill()  # it had said "taken", and given them back once
        metrics.start()
        settled(store, 299)
        assert len(look.read("m1", T0, T0 + 300_000)) == 300
    assert sorted(values_on_server(metrics)) == [i + 0.25 for i in range(300)]
    store.close()


def test_late_readings_follow_and_a_restart_sends_nothing_twice(metrics, tmp_path):
    path = tmp_path / "data" / "readings.sqlite"
    store = ServerStore(path, server(metrics))
    store.append(rows(0, 100) + rows(200, 100))
    settled(store, 299)
    store.append(rows(100, 100))
    settled(store, 299)
    until(lambda: len(values_on_server(metrics)) == 300)
    store.close()
    again = ServerStore(path, server(metrics))
    again.append(rows(300, 10))
    settled(again, 309)
    assert sorted(values_on_server(metrics)) == [i + 0.25 for i in range(310)]
    again.close()


def test_times_that_may_still_move_stay_here(metrics, tmp_path):
    store = ServerStore(tmp_path / "data" / "readings.sqlite", server(metrics))
    store.append(rows(0, 50))
    store.append(rows(50, 50))
    assert store.shift("m1", T0, FAR, 3_600_000, "s/m1/1") == 100
    settled(store, 99)
    with closing(server(metrics)) as look:
        assert len(look.read("m1", T0, T0 + 3_600_000)) == 0
        assert len(look.read("m1", T0 + 3_600_000, T0 + 7_200_000)) == 100
    store.close()


def test_a_reading_the_server_will_not_keep_is_said_and_stays_here(metrics, tmp_path, monkeypatch):
    monkeypatch.setattr(line_protocol, "AWAY_S", 60.0)
    store = ServerStore(tmp_path / "data" / "readings.sqlite", server(metrics))
    far_ms = T0 + 400 * 86_400_000  # it answers "taken" and drops what lies a year ahead
    store.settle("m1", FAR)
    store.append([("m1", Reading(far_ms, power_w=1.0))])
    until(lambda: "does not have them" in store.trouble)
    assert store.droppable_ms("m1") == -1
    assert len(store.series("m1", 0, FAR)) == 1
    store.close()


def test_no_server_is_one_line():
    with closing(Server(Store(kind="line_protocol", url="http://127.0.0.1:9"), "q", Path())) as gone:
        for ask in (lambda: gone.read("m", 0, 1), lambda: gone.write("m", [Reading(T0, power_w=1.0)])):
            with pytest.raises(StoreError) as bad:
                ask()
            assert "\n" not in str(bad.value)


def test_a_line():
    # Line protocol as InfluxDB documents it: measurement,tags fields time; common practice, no source at hand.
    line = line_of("q", "m1", Reading(T0, power_w=1.5, energy_wh=10.0))
    assert line == f"loadbook,site=q,meter=m1 power_w=1.5,energy_wh=10.0 {T0}"
