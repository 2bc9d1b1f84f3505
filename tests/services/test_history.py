"""An old log taken in at once: in the store, in the ledger as `assess` would say it, and ready to go on from."""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path

import pytest
from loadbook.assessment import assess
from loadbook.assessor import Assessor
from loadbook.errors import InputError
from loadbook.files import find_log, find_machine, load_causes, load_machine, load_settings
from loadbook.judge.limits import Limits
from loadbook.logs import Log, read_log
from loadbook.services.history import take_in
from loadbook.store.connect import LEDGER_FILE, read_only
from loadbook.store.ledger import Ledger
from loadbook.store.rows import alerts_between, cycles_between
from loadbook.store.sqlite_readings import SqliteReader

SETTINGS = """
machines = ["quay-washer-1"]
tariff = "quay-flat"
[store]
folder = "data"
[[line]]
id = "l"
kind = "modbus_tcp"
host = "localhost"
[[line.meter]]
id = "m"
map = "sunspec"
machine = "quay-washer-1"
"""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "loadbook.toml"
    path.write_text(SETTINGS)
    return path


@pytest.fixture(scope="module")
def log() -> Log:
    return read_log(find_log(Path("washer-slow-tap")))


def test_it_is_stored_and_said_as_assess_says_it(config: Path, log: Log) -> None:
    settings, folder = load_settings(config), config.parent
    assert take_in(settings, folder, "m", log.series) == len(log.series)
    with closing(SqliteReader.open(folder / "data")) as reader:
        back = reader.series("m", log.report.first_ms, log.report.last_ms + 1)
        assert back.at_ms.tolist() == log.series.at_ms.tolist()
        assert back.power_w == pytest.approx(log.series.power_w)
    machine = load_machine(find_machine(Path("quay-washer-1")))
    with closing(read_only(folder / "data" / LEDGER_FILE)) as db:
        cycles = cycles_between(db, "quay-washer-1", 0, 2**53)
        alerts = alerts_between(db, "quay-washer-1", 0, 2**53)
    expected = assess(log, machine, Limits.of_site(settings.site), load_causes())
    over = [c for c in expected.cycles if c.outcome != "running"]
    assert [(c.start_ms, c.programme, len(c.phases)) for c in cycles if c.outcome != "running"] == [
        (c.start_ms, c.programme, len(c.phases)) for c in over
    ]
    assert all(c.cost and c.currency == "EUR" for c in cycles if c.outcome != "running")
    assert {a.key for a in alerts} == {a.key for a in expected.alerts}


def test_twice_is_the_same_as_once_and_the_recogniser_can_go_on(config: Path, log: Log) -> None:
    settings, folder = load_settings(config), config.parent
    take_in(settings, folder, "m", log.series)
    assert take_in(settings, folder, "m", log.series) == 0
    with closing(Ledger.open(folder / "data")) as ledger:
        saved = ledger.saved_assessor("quay-washer-1")
    assert saved is not None and saved.at_ms == log.report.last_ms
    machine = load_machine(find_machine(Path("quay-washer-1")))
    fed = Assessor(machine, Limits.of_site(settings.site), load_causes())
    fed.feed_series(log.series)
    assert saved.state["assessor"] == json.loads(json.dumps(fed.save()))


def test_a_bad_machine_file_leaves_no_store_behind(config: Path, log: Log) -> None:
    config.write_text(SETTINGS.replace('machines = ["quay-washer-1"]', 'machines = ["none.toml"]'))
    with pytest.raises(InputError, match=r"none\.toml: cannot read this machine file"):
        take_in(load_settings(config), config.parent, "m", log.series)
    assert not list((config.parent / "data").glob("*"))
