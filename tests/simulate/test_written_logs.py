"""The logs that come along are what the simulator writes today, byte for byte, with a truth that names its machine."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest
from loadbook.files import load_machine, share
from loadbook.logs import read_log
from loadbook.simulate import catalogue
from loadbook.simulate.catalogue import Scenario
from loadbook.simulate.write import packed, write, written

SCENARIOS = catalogue.replay_scenarios()
NAMES = [s.name for s in SCENARIOS]


@pytest.mark.parametrize("scenario", SCENARIOS, ids=NAMES)
def test_the_same_seed_writes_the_same_log(scenario: Scenario) -> None:
    shipped = share("replay_logs", f"{scenario.name}.csv.gz").read_bytes()
    assert gzip.decompress(shipped).decode() == written(scenario, "").log


@pytest.mark.parametrize("scenario", SCENARIOS, ids=NAMES)
def test_the_machine_file_is_the_machine_simulated(scenario: Scenario) -> None:
    truth = json.loads(share("replay_logs", f"{scenario.name}.truth.json").read_text(encoding="utf-8"))
    assert load_machine((share("replay_logs") / truth["machine_file"]).resolve()) == scenario.model.machine


def test_a_log_packed_twice_is_the_same_file() -> None:
    assert packed("time,power_w\n") == packed("time,power_w\n")


def test_a_log_is_read_by_the_house(tmp_path: Path) -> None:
    scenario = next(s for s in SCENARIOS if s.name == "dishwasher-healthy")
    assert write([scenario], tmp_path) == 1
    log = read_log(tmp_path / "dishwasher-healthy.csv.gz")
    assert log.report.skipped == 0
    assert log.series.voltage_v is not None
    assert (tmp_path / "harbour-dish-2.toml").exists()
