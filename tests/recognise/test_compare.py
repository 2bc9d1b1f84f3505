"""Comparing logs, and a heater's resistance over cycles."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from drawn import START_MS, cycles_of, dishwasher, draw, idle, washer
from hypothesis import given
from hypothesis import strategies as st
from loadbook.cli import main
from loadbook.logs import write_log
from loadbook.reading import Series
from loadbook.recognise.compare import Comparison, compare, measuring
from loadbook.recognise.explain import Level, levels_of
from loadbook.recognise.heater import heater_steps, resistance_change, resistance_of
from made import machine_and_logs


def comparison(a: list[Series], b: list[Series]) -> Comparison:
    sides = [[measuring(c, s) for s in side for c in cycles_of(s)] for side in (a, b)]
    return compare(sides[0], sides[1])


def logged(steps: list, seed: int) -> Series:
    return draw([*idle(900), *steps, *idle(4000)], seed=seed)


def test_the_same_machine_on_another_day_does_not_differ() -> None:
    found = comparison([logged(dishwasher(), 1)], [logged(dishwasher(), 2)])
    assert not found.differs
    assert [p.stage for p in found.phases][-4:] == ["heat", "drain", "dry", "drain"]
    assert found.phases[2].a["power_w"].value == pytest.approx(2050, rel=0.01)


def test_half_a_heater_and_a_long_heat_are_told() -> None:
    slow = [(s * 2, (w - 90) / 2 + 90) if w > 1000 else (s, w) for s, w in dishwasher()]
    found = comparison([logged(dishwasher(), 1)], [logged(slow, 2)])
    heat = next(p for p in found.phases if p.stage == "heat")
    assert {"time_s", "power_w"} <= set(heat.differs)
    wash = next(p for p in found.phases if p.stage == "wash")
    assert not wash.differs


def test_a_phase_that_only_one_has() -> None:
    steps = dishwasher()
    found = comparison([logged(steps, 1)], [logged(steps[:-1], 2)])
    assert any(p.differs == ["presence"] and p.stage == "drain" for p in found.phases)


def test_three_cycles_say_more_than_the_table() -> None:
    """A change of 8 % in the heat's watts is beyond what three steady cycles show, if not beyond the table for one."""
    weak = [(s, w * 0.95) if w > 1000 else (s, w) for s, w in dishwasher()]
    one = comparison([logged(dishwasher(), 1)], [logged(weak, 2)])
    three = comparison([logged(dishwasher(), i) for i in (1, 3, 5)], [logged(weak, i) for i in (2, 4, 6)])
    assert "power_w" not in next(p for p in one.phases if p.stage == "heat").differs
    assert "power_w" in next(p for p in three.phases if p.stage == "heat").differs


def with_volts(series: Series, heater_ohm: float, seed_w: float = 90.0) -> Series:
    """The heater's draw replaced by what ``heater_ohm`` takes at a supply that sags by 0.6 ohm."""
    volts = series.power_w * 0.0 + 231.0
    on = series.power_w > 1000
    amps = volts / (heater_ohm + 0.6)
    volts[on] = (volts - 0.6 * amps)[on]
    power = series.power_w.copy()
    power[on] = (volts**2 / heater_ohm)[on] + (series.power_w - 2000.0)[on] * 0 + seed_w
    return Series(at_ms=series.at_ms, power_w=power, voltage_v=volts)


@pytest.mark.parametrize("ohm", [24.0, 26.45, 40.0])
def test_resistance_from_the_step(ohm: float) -> None:
    """R = V²/P: 2000 W at 230 V is 26.45 ohm (Ohm's law; the motor beside it does not count)."""
    series = with_volts(draw([*idle(900), *dishwasher(), *idle(900)]), ohm)
    levels = levels_of(series, int(series.at_ms[0]), int(series.at_ms[-1]))
    assert resistance_of(levels) == pytest.approx(ohm, rel=0.02)


def test_a_turning_drum_does_not_change_the_resistance() -> None:
    steps = washer()
    series = draw([*idle(900), *steps, *idle(900)])
    volted = Series(at_ms=series.at_ms, power_w=series.power_w, voltage_v=series.power_w * 0 + 230.0)
    levels = levels_of(volted, int(series.at_ms[0]), int(series.at_ms[-1]))
    assert resistance_of(levels) == pytest.approx(230**2 / (2000 - 3), rel=0.03)


def test_without_voltage_there_is_no_resistance() -> None:
    series = draw([*idle(900), *dishwasher(), *idle(900)])
    levels = levels_of(series, int(series.at_ms[0]), int(series.at_ms[-1]))
    assert heater_steps(levels)
    assert resistance_of(levels) is None


def test_an_ageing_heater_is_seen_over_cycles_and_since_when() -> None:
    days = [START_MS + day * 86_400_000 for day in range(20)]
    steady = [(at, 26.4 * (1.01 if i % 2 else 0.99)) for i, at in enumerate(days)]
    change = resistance_change(steady)
    assert change is not None and not change.beyond
    ageing = [(at, 26.4 if i < 12 else 27.6) for i, at in enumerate(days)]
    change = resistance_change(ageing)
    assert change is not None and change.beyond
    assert change.since_ms == days[12]
    assert change.change == pytest.approx(0.045, abs=0.002)
    assert resistance_change(steady[:2]) is None


@given(st.lists(st.floats(26.0, 26.6), min_size=3, max_size=40), st.integers(0, 39), st.floats(10, 60))
def test_one_odd_cycle_decides_nothing(ohms: list[float], at: int, odd: float) -> None:
    history = [(i, ohm) for i, ohm in enumerate(ohms)]
    if 1 < at < len(history) - 2 and len(history) >= 8:
        history[at] = (at, odd)
    change = resistance_change(history)
    assert change is not None and not change.beyond


@given(st.lists(st.tuples(st.floats(3, 100), st.floats(0, 3000)), max_size=30))
def test_steps_are_positive_and_within_the_log(shape: list[tuple[float, float]]) -> None:
    levels, at = [], 0
    for seconds, watts in shape:
        levels.append(Level(at, at + int(seconds * 1000), watts, 230.0))
        at += int(seconds * 1000)
    for step in heater_steps(levels):
        assert 400 <= step.power_w <= 3000 and 0 <= step.at_ms <= at


@pytest.fixture
def logs(tmp_path: Path) -> tuple[str, str]:
    _, made = machine_and_logs("harbour-dish-2", "daily-60", 2)
    names = []
    for name, series in made:
        names.append(str(tmp_path / f"{name}.csv.gz"))
        write_log(Path(names[-1]), series)
    return names[0], names[1]


def test_the_command_prints_words_and_json(logs: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", logs[0], logs[0]]) == 0
    assert "Nothing differs beyond the normal spread." in capsys.readouterr().out
    assert main(["compare", logs[0], "dishwasher-half-heater", "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert said["differs"] and "resistance_ohm" in said["cycle"]["differs"]
    assert said["cycle"]["b"]["resistance_ohm"] == pytest.approx(2 * said["cycle"]["a"]["resistance_ohm"], rel=0.05)
    assert main(["compare", logs[0], "dishwasher-half-heater"]) == 1
    assert "heat: level" in capsys.readouterr().out


def test_a_log_without_a_cycle_is_refused(
    logs: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    idle_log = tmp_path / "idle.csv"
    idle_log.write_text("time,power_w\n" + "".join(f"2031-01-01T00:{m:02d}:00Z,0.4\n" for m in range(60)))
    assert main(["compare", logs[0], str(idle_log)]) == 2
    assert "no complete cycle" in capsys.readouterr().err
