"""The table of programmes: counts, middles and spreads, and the label beside them."""

from __future__ import annotations

from fractions import Fraction

import pytest
from loadbook.cost.programmes import Run, programme_table, run_of, spread_of
from loadbook.events import Cycle, Phase
from loadbook.machine import parse_machine

MACHINE = """
[machine]
id = "harbour-dish-2"
name = "Dishwasher 2"
kind = "dishwasher"
place_settings = 14
[[component]]
id = "heater"
nature = "resistive"
rated_w = 1900
[[programme]]
id = "eco"
name = "Eco 50"
label = { eco = true, energy_kwh = 0.67, duration_min = 222 }
[[programme.phase]]
id = "h"
stage = "heat"
on = ["heater"]
max_s = 900
"""


def run(programme: str | None, minutes: float, kwh: float, cost: str | None = "0.1", outcome: str = "completed") -> Run:
    amount = None if cost is None else Fraction(cost)
    return Run(programme, outcome, 0, round(minutes * 60_000), kwh, amount, "EUR" if cost else None)


def test_rows() -> None:
    runs = [
        run(None, 10, 0.1),
        run("eco", 200, 0.70, "0.25"),
        run("eco", 220, 0.80, "0.35"),
        run("eco", 20, 0.05, outcome="stopped_early"),
        run("eco", 5, 0.01, outcome="running"),
        run("quick", 30, 0.9, None),
    ]
    eco, quick, unknown = programme_table(runs, parse_machine(MACHINE, "m.toml"))
    assert (eco.name, eco.count, eco.stopped) == ("Eco 50", 2, 1)
    assert eco.duration_min is not None and eco.duration_min.median == 210
    assert eco.energy_kwh is not None and eco.energy_kwh.median == 0.75
    assert eco.energy_kwh.quartile_low is None
    assert eco.cost is not None and eco.cost.median == Fraction("0.30")
    assert eco.label is not None and (str(eco.label.index), eco.label.energy_class) == ("39.4", "C")
    assert eco.energy_against_label == pytest.approx(0.75 / 0.67)
    row = eco.as_json()
    assert row["label"]["class"] == "C"
    assert row["cost"] == {"low": 0.25, "median": 0.3, "high": 0.35}
    assert quick.cost is None and quick.currency is None and quick.label is None
    assert unknown.name == "not recognised"


def test_spread() -> None:
    assert spread_of([]) is None
    many = spread_of([float(i) for i in range(1, 10)])
    assert many is not None and (many.quartile_low, many.median, many.quartile_high) == (3, 5, 7)


def test_a_cycle_is_a_run() -> None:
    cycle = Cycle(1, 0, 60_000, "eco", "completed", 0.5, cost="0.18", currency="EUR")
    cycle.phases = [Phase("h", "heat", 0, 40_000, energy_kwh=0.4)]
    assert run_of(cycle) == Run("eco", "completed", 0, 60_000, 0.5, Fraction("0.18"), "EUR", heat_kwh=0.4, key_ms=1)
    assert programme_table([]) == []
