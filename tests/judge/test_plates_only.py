"""A heater judged by its plate where the machine has no chart: IEC 60335-1 table 1, corrected for the supply."""

from __future__ import annotations

import json

import numpy as np
import pytest
from loadbook.assessor import Assessor
from loadbook.files import load_causes
from loadbook.machine import Machine, parse_machine
from loadbook.reading import Series

from tests.recognise.drawn import dishwasher, draw, dryer, idle, last_known

PLATES = """
[machine]
id = "harbour-dish-2"
name = "Dish 2"
kind = "{kind}"
standby_w = 0.4
[[component]]
id = "heater"
nature = "resistive"
rated_w = {watts}
[[component]]
id = "motor"
nature = "motor"
rated_w = 100.0
"""


def machine(watts: float, kind: str = "dishwasher") -> Machine:
    return parse_machine(PLATES.format(watts=watts, kind=kind), "harbour-dish-2.toml")


def with_volts(series: Series, volts: float) -> Series:
    return Series(at_ms=series.at_ms, power_w=series.power_w, voltage_v=np.full(len(series), volts))


def alerts_of(plate_w: float, volts: float | None = 230.0, steps: list | None = None, kind: str = "dishwasher") -> list:
    """The log's heater draws 2040 to 2050 W (a dryer's 2500 W); the plate says ``plate_w``."""
    series = draw([*idle(900), *(steps or dishwasher()), *idle(4000)])
    assessor = Assessor(machine(plate_w, kind), causes=load_causes())
    events = assessor.feed_series(series if volts is None else with_volts(series, volts))
    return last_known(events + assessor.finish())[1]


@pytest.mark.parametrize("plate_w", [1960.0, 2000.0, 2100.0, 2200.0])
def test_within_the_table_nothing_is_said(plate_w: float) -> None:
    assert alerts_of(plate_w) == []


def test_below_the_table_the_heater_is_low() -> None:
    """Table 1: 2600 W heating may draw 2340 W at least; the whole machine draws 2050 W."""
    alerts = alerts_of(2600.0)
    assert [(a.kind, a.component, a.unit) for a in alerts] == [("power_low", "heater", "W")]
    assert alerts[0].low == pytest.approx(2340.0)
    assert alerts[0].raised_ms - alerts[0].began_ms <= 60_000
    assert alerts[0].causes and alerts[0].cleared_ms is not None


def test_above_all_that_could_be_on_the_heater_is_high() -> None:
    """1700 W and 5 % is 1785 W; with a 100 W motor's 120 W that is 1905 W, and 2050 W is more."""
    assert [(a.kind, a.component) for a in alerts_of(1700.0)] == [("power_high", "heater")]


def test_a_low_supply_excuses_the_heater() -> None:
    """(208 / 230)² of 2600 W is 2126 W; less a tenth 1914 W, which 2050 W is not below."""
    assert alerts_of(2600.0, volts=208.0) == []


def test_without_voltage_the_band_is_wide() -> None:
    assert alerts_of(2500.0, volts=None) == []
    assert [a.kind for a in alerts_of(3200.0, volts=None)] == ["power_low"]


def test_a_thermostat_raises_it_once() -> None:
    alerts = alerts_of(3300.0, steps=dryer(), kind="tumble_dryer")
    assert [a.kind for a in alerts] == ["power_low"]


def test_it_is_saved_and_resumed() -> None:
    series = with_volts(draw([*idle(900), *dishwasher(), *idle(4000)]), 230.0)
    whole = Assessor(machine(2600.0))
    expected = last_known(whole.feed_series(series) + whole.finish())[1]
    for cut in (1250, 1275, 1900, 2600):
        first = Assessor(machine(2600.0))
        events = first.feed_series(series.slice(0, cut))
        later = Assessor.restore(machine(2600.0), None, None, json.loads(json.dumps(first.save())))
        events += later.feed_series(series.slice(cut, len(series))) + later.finish()
        assert last_known(events)[1] == expected
