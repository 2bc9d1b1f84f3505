"""Loads discovered without plates, on simulated machines whose parts are known, and the command that lists them."""

from __future__ import annotations

import json
import tomllib

import pytest
from drawn import dishwasher, draw, idle
from loadbook.cli import main
from loadbook.recognise.explain import levels_of
from loadbook.recognise.loads import Load, discover
from made import machine_and_logs


def loads_of(model: str, programme: str) -> tuple[dict[str, float], list[Load]]:
    machine, logs = machine_and_logs(model, programme, 1)
    series = logs[0][1]
    found = discover(levels_of(series, int(series.at_ms[0]), int(series.at_ms[-1])))
    return {p.id: p.rated_w for p in machine.components}, found


@pytest.mark.parametrize(
    ("model", "programme"),
    [("quay-washer-1", "mixed-40"), ("harbour-dish-2", "daily-60"), ("quay-dryer-3", "cupboard-dry")],
)
def test_the_heater_is_found_and_is_the_only_resistive_load(model: str, programme: str) -> None:
    rated, found = loads_of(model, programme)
    assert found[0].power_w == pytest.approx(rated["heater"], rel=0.08)
    assert [load.resistive for load in found] == [True] + [False] * (len(found) - 1)


def test_a_reversing_drum_comes_in_strokes_and_a_thermostat_cycles() -> None:
    _, washer = loads_of("quay-washer-1", "mixed-40")
    assert any(load.how == "strokes" and 80 < load.power_w < 250 and load.switched > 50 for load in washer)
    _, dryer = loads_of("quay-dryer-3", "cupboard-dry")
    assert dryer[0].how == "cycling"


def test_every_part_of_the_dishwasher_is_there() -> None:
    rated, found = loads_of("harbour-dish-2", "daily-60")
    for part in ("heater", "circulation_pump", "drain_pump", "inlet_valve"):
        assert any(load.power_w == pytest.approx(rated[part], rel=0.30) for load in found), part


def test_without_current_nothing_is_said_of_resistance() -> None:
    series = draw([*idle(300), *dishwasher(), *idle(300)])
    found = discover(levels_of(series, int(series.at_ms[0]), int(series.at_ms[-1])))
    assert found and all(load.resistive is None and load.power_factor is None for load in found)
    assert sum(load.on_s for load in found if load.power_w > 1500) == pytest.approx(2000, rel=0.02)


def test_the_command_in_its_three_forms(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["loads", "dishwasher-healthy"]) == 0
    assert "resistive" in capsys.readouterr().out
    assert main(["loads", "dishwasher-healthy", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["loads"][0]["resistive"] is True
    assert main(["loads", "dishwasher-healthy", "--toml"]) == 0
    parts = tomllib.loads(capsys.readouterr().out)["component"]
    assert parts[0]["nature"] == "resistive" and {p["nature"] for p in parts[1:]} == {"motor", "solenoid"}
