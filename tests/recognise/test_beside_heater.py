"""Small parts beside a heater that has been seen alone: a pump, a drum, a heater that was not switched off."""

from __future__ import annotations

import numpy as np
import pytest
from loadbook.judge.bands import Part
from loadbook.machine import parse_machine
from loadbook.recognise.plateau import CHANGED, PlateauFinder
from loadbook.recognise.resistive import Resistive
from washer import CHART, START_MS, Said, drum, healthy, on, still

PUMP_S = 30.0
"""A part that draws where it is in neither list is said within half a minute (the contract, section 4)."""

CALM = 0.001
"""Readings scatter by this share: what a class 1 meter does, from memory."""

LARGE = parse_machine(CHART.replace("rated_w = 180.0", "rated_w = 320.0"), "large.toml")
"""A drum whose strokes cannot be so light that a pump passes for one."""
DRAINED_S = 60 + 80 + 720
STUCK = still(60) + on(8, 80) + drum(720, under_w=1880, motor_w=250) + on(1880 + 28, 60) + still(400)


def heater(tolerance: float = 0.1) -> Resistive:
    return Resistive((Part("heater", "resistive", 1900.0, 230.0, 1900 * (1 - tolerance), 1995.0, 380.0),))


@pytest.mark.parametrize(("fine", "levels"), [(True, 3), (False, 1)])
def test_a_pump_beside_a_heater_is_a_level_of_its_own_where_it_is_looked_for(fine: bool, levels: int) -> None:
    rng = np.random.default_rng(3)
    watts = np.array([1900.0] * 90 + [1928.0] * 40 + [1900.0] * 40) + rng.normal(0, 1.9, 170)
    finder = PlateauFinder(fine=fine)
    did = [finder.step(k * 1000, round(w * 1000)) for k, w in enumerate(watts.tolist())]
    assert did.count(CHANGED) == levels


def test_where_readings_scatter_no_step_is_made_of_it() -> None:
    rng = np.random.default_rng(4)
    finder = PlateauFinder(fine=True)
    watts = (1900 + rng.normal(0, 15, 600)).tolist()
    assert [finder.step(k * 1000, round(w * 1000)) for k, w in enumerate(watts)].count(CHANGED) == 1


def test_a_known_heater_follows_the_supply_by_the_square_of_its_voltage() -> None:
    """P = V^2 / R: Ohm's and Joule's laws."""
    known = heater()
    known.learn(0, 1850.0, 230.0, 5_000, 5_000)
    assert known.drawn_w(0, 230.0) == pytest.approx(1850, abs=3)
    assert known.drawn_w(0, 207.0) == pytest.approx(1850 * 0.81, abs=3)
    assert known.drawn_w(0, None) is None


def test_what_else_comes_on_beside_a_heater_is_not_taken_for_the_heater() -> None:
    known = heater()
    for _ in range(12):
        known.learn(0, 1850.0, 230.0, 5_000, 600_000)
    known.learn(0, 1880.0, 230.0, 20_000, 620_000)
    assert known.drawn_w(0, 230.0) == pytest.approx(1850, abs=4)
    known.learn(0, 1880.0, 230.0, 60_000, 660_000)
    assert known.drawn_w(0, 230.0) == pytest.approx(1880, abs=4)


def test_a_heater_not_known_where_there_are_no_volts() -> None:
    known = heater()
    assert not known.learn(0, 1850.0, None, 5_000, 5_000)
    assert not known.all_known(1)


def test_what_is_known_survives_being_saved() -> None:
    known, again = heater(), heater()
    known.learn(0, 1850.0, 231.0, 5_000, 5_000)
    again.load(known.save())
    assert again == known


def test_a_heater_that_was_not_switched_off_is_said_when_the_pump_shows_beside_it() -> None:
    said = Said(STUCK, LARGE, scatter=CALM)
    (found,) = [a for a in said.alerts if a.kind == "component_unexpected"]
    assert (found.component, found.phase) == ("heater", "drain")
    assert DRAINED_S < (found.raised_ms - START_MS) / 1000 <= DRAINED_S + PUMP_S


def test_the_wash_that_ran_unnoticed_beside_it_is_in_the_record() -> None:
    said = Said(STUCK, LARGE, scatter=CALM)
    phases = [(p.id, p.verdict) for p in said.cycles[0].phases]
    assert [name for name, _ in phases] == ["fill", "heat", "wash", "drain"]
    assert "missing" not in [verdict for _, verdict in phases]


@pytest.mark.parametrize("volts", [True, False])
def test_nothing_is_said_of_a_healthy_run(volts: bool) -> None:
    assert Said(still(60) + healthy() + still(400), volts=volts).kinds() == []
