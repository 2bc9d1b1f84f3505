"""The whole chain as its user starts it: real Modbus over TCP, a real broker, store, recogniser and dashboard."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from urllib.request import urlopen

import pytest
from loadbook.clock import Clock
from loadbook.files import find_log, load_map
from loadbook.logs import read_log
from loadbook.meters.simulated import Player, SimulatedLine, SimulatedMeter
from loadbook.settings import Broker
from loadbook.store.connect import LEDGER_FILE, read_only
from loadbook.store.sqlite_readings import SqliteReader
from loadbook.transport.client import Client
from loadbook.transport.topics import Topics

from tests.chain.site import Service, settings_of, until, write_site

MACHINE = "quay-washer-1"
SPEED = 60


@pytest.fixture
def meter(tmp_path):
    """A washer's healthy cycle, played at sixty times its speed by a real Modbus server."""
    clock = Clock(SPEED)
    log = read_log(find_log(Path("washer-healthy")))
    line = SimulatedLine(
        [SimulatedMeter(1, load_map("sunspec", Path()), Player(log.series.slice(0, 2400), clock))], clock
    ).start()
    yield line
    line.stop()


def fast(clock: Clock) -> dict[str, str]:
    return {"LOADBOOK_CLOCK_SPEED": f"{SPEED}@{clock.now_ms()}"}


def test_run_reads_stores_recognises_and_shows(tmp_path, meter):
    plate = f'[machine]\nid = "{MACHINE}"\nname = "Washer 1"\nkind = "washing_machine"\nstandby_w = 1.2\n'
    (tmp_path / "washer.toml").write_text(plate)
    path = write_site(tmp_path, {"m1": (MACHINE, meter.address[1])}, machines='["washer.toml"]')
    settings = settings_of(path)
    service = Service("run", "--config", str(path), log=tmp_path / "log", env=fast(Clock()))
    phases: list[dict] = []
    answers: list[dict] = []
    try:
        until(lambda: (tmp_path / "data" / LEDGER_FILE).exists() and service.child.poll() is None)
        topics = Topics("quay-street")
        watcher = Client(Broker(port=settings.broker.port), "watcher")
        watcher.subscribe(topics.phase(), lambda _t, p: phases.append(json.loads(p)))
        watcher.subscribe(topics.answer, lambda _t, p: answers.append(json.loads(p)))
        watcher.start(patient=True)
        assert watcher.wait_connected(60)
        reader = None

        def stored() -> int:
            nonlocal reader
            if reader is None:
                try:
                    reader = SqliteReader.open(tmp_path / "data")
                except Exception:
                    return 0
            return len(reader.series("m1", 0, 1 << 53))

        until(lambda: stored() > 300, 90)
        until(lambda: any(p["state"] == "running" for p in phases), 60)
        page = urlopen(f"http://127.0.0.1:{settings.dashboard.port}/", timeout=20).read().decode()
        assert "Washer" in page
        ledger = read_only(tmp_path / "data" / LEDGER_FILE)
        until(lambda: ledger.execute("SELECT count(*) FROM cycle WHERE outcome = 'running'").fetchone()[0], 30)
        key_ms = ledger.execute("SELECT key_ms FROM cycle").fetchone()[0]
        request = {"id": "r1", "action": "cycle_pin", "machine": MACHINE, "cycle_key_ms": key_ms, "on": True}
        for _ in range(2):  # twice, as QoS 1 may: carried out once, answered twice
            watcher.publish(topics.request, json.dumps(request))
        until(lambda: len(answers) == 2)
        assert answers == [{"id": "r1", "ok": True}] * 2
        assert ledger.execute("SELECT pinned FROM cycle").fetchone()[0] == 1
        watcher.stop()
    finally:
        status = service.end()
    assert status == 0, (tmp_path / "log").read_text()
    assert "Traceback" not in (tmp_path / "log").read_text()
    # All that was read is stored or waits on disk, once: counted against the meter's own journal.
    reader = SqliteReader.open(tmp_path / "data")
    times = reader.series("m1", 0, 1 << 53).at_ms.tolist()
    assert len(times) == len(set(times))
    assert not [t for t in threading.enumerate() if t.name == "recorder"]


@pytest.mark.parametrize(
    ("chosen", "says"),
    [
        ({"store.folder": '"/proc/loadbook"'}, "cannot be opened for writing"),
        ({"broker.host": '"127.0.0.1"', "broker.port": "9"}, "broker 127.0.0.1:9 refuses"),
        ({"tariff": '"nowhere.toml"'}, "nowhere.toml"),
    ],
)
def test_what_cannot_start_says_so_in_one_line_and_leaves_nothing(tmp_path, chosen, says):
    path = write_site(tmp_path, {"m1": ("", 1)}, chosen)
    for command in ("run", "record"):
        service = Service(command, "--config", str(path), log=tmp_path / command)
        assert service.child.wait(60) == 2
        lines = (tmp_path / command).read_text().strip().splitlines()
        assert len(lines) == 1, lines
        assert says in lines[0]


def test_a_port_that_is_taken_is_one_line(tmp_path):
    path = write_site(tmp_path, {})
    first = Service("record", "--config", str(path), log=tmp_path / "first")
    settings = settings_of(path)
    client = Client(Broker(port=settings.broker.port), "probe")
    client.start(patient=True)
    assert client.wait_connected(60)
    client.stop()
    second = Service("record", "--config", str(path), log=tmp_path / "second")
    assert second.child.wait(60) == 2
    lines = (tmp_path / "second").read_text().strip().splitlines()
    assert len(lines) == 1
    assert "in use" in lines[0]
    assert first.end() == 0
