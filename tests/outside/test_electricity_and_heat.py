"""Watts, volts, ohms, heat and energy against values published elsewhere; the source stands beside each."""

from __future__ import annotations

import numpy as np
import pytest
from loadbook.energy import steps_wh
from loadbook.reading import Series
from loadbook.simulate import machines
from loadbook.simulate.model import WATER_J_PER_L_K
from loadbook.simulate.run import DT_S, Run
from loadbook.simulate.supply import Supply, solve

CREST_WASHING = (
    (73, 8), (2056, 21), (73, 63), (250, 2), (73, 11), (250, 2), (73, 11), (250, 2), (73, 11), (250, 2), (568, 5),
)  # fmt: skip
"""Watts and minutes of a washing machine's cycle, CREST domestic electricity demand model (Richardson, Thomson,
Infield, Clifford 2010), as in richardsonpy 0.2.3, classes/appliance.py. Its sum is 926.80 Wh, its mean 402.96 W."""


def profile(extra: tuple[tuple[int, int], ...] = ()) -> Series:
    """The profile read once a second, with a last reading to hold the one before."""
    watts = np.concatenate([np.full(minutes * 60, float(w)) for w, minutes in (*CREST_WASHING, *extra)] + [[0.0]])
    return Series(at_ms=np.arange(watts.size, dtype=np.int64) * 1000, power_w=watts)


def test_the_crest_washing_machine_takes_927_wh() -> None:
    series = profile()
    assert len(series) - 1 == 138 * 60
    assert steps_wh(series).sum() == pytest.approx(926.80, abs=0.01)
    assert steps_wh(series).sum() / (138 / 60) == pytest.approx(402.96, abs=0.01)


def test_the_crest_washer_dryer_takes_3427_wh() -> None:
    assert steps_wh(profile(((2500, 60),))).sum() == pytest.approx(3426.8, abs=0.1)


# P2 = P1 (V2 / V1)^2, Joule's and Ohm's laws; worked for a plate of 230 V.
@pytest.mark.parametrize(
    ("volts", "share"),
    [(207, 0.8100), (216.2, 0.8836), (220, 0.9149), (225, 0.9570), (235, 1.0440), (240, 1.0888), (253, 1.2100)],
)
def test_a_resistance_follows_the_square_of_the_voltage(volts: float, share: float) -> None:
    flow = solve(np.array([float(volts)]), 0.0, np.array([[2000.0 / 230.0**2]]), np.zeros((1, 1)), np.zeros(1))
    assert flow.part_w[0, 0] / 2000.0 == pytest.approx(share, abs=5e-5)


# R = V^2 / P: Ohm's law, worked values.
@pytest.mark.parametrize(
    ("watts", "volts", "ohm"), [(2000, 230, 26.45), (1800, 230, 29.39), (1440, 120, 10.00), (2056, 230, 25.73)]
)
def test_the_conductance_of_a_plate(watts: float, volts: float, ohm: float) -> None:
    flow = solve(np.array([float(volts)]), 0.0, np.array([[1.0 / ohm]]), np.zeros((1, 1)), np.zeros(1))
    assert flow.part_w[0, 0] == pytest.approx(watts, rel=2e-4)


# Q = m c dT with c = 4.186 kJ/(kg K): worked examples, Texas Physics 3.9 (thetrc.org) for the first and last;
# 189 l from 10 to 60 degrees: Essential College Physics 13.46 gives 10.988 kWh.
@pytest.mark.parametrize(
    ("litres", "from_c", "to_c", "kwh"),
    [(2, 20, 80, 0.1395), (10, 15, 55, 0.4651), (189, 10, 60, 10.988), (0.1, 30, 40, 4.186 / 3600)],
)
def test_heat_of_water(litres: float, from_c: float, to_c: float, kwh: float) -> None:
    assert litres * WATER_J_PER_L_K * (to_c - from_c) / 3.6e6 == pytest.approx(kwh, rel=2e-3)


def test_a_simulated_heater_needs_the_time_that_m_c_dt_over_p_says() -> None:
    """10 kg from 15 to 55 degrees are 1674.4 kJ (c = 4.186 kJ/(kg K)): at 1,820 W, 920 s."""
    model = machines.dishwasher()
    object.__setattr__(model, "loss_w_per_k", 0.0)
    run = Run(model, 2, Supply(2, open_v=230.0, wander_v=0.0, source_ohm=0.0))
    run.inlet_c = run.water_c = 15.0
    run.add_water(10.0)
    while run.water_c < 55.0:
        run.draw(1.0, heater=1.0)
    recorded = run.finish()
    assert float(recorded.watts("heater").sum()) * DT_S == pytest.approx(1_674_400.0, rel=0.003)
    assert run.now_s == pytest.approx(1_674_400.0 / recorded.watts("heater").mean(), rel=0.003)


def test_common_practice_of_a_dishwasher() -> None:
    """Common practice, no source: a fill reads the valve's 7 W or so above a standby of about 2 W; a heater's watts
    and the circulation motor's add up; a hot programme takes about 1 kWh."""
    model = machines.dishwasher()
    run = Run(model, 6, Supply(6, open_v=230.0, wander_v=0.0))
    run.board_w = 2.0
    run.draw(4.0, inlet_valve=7.0 / run.true_w[run.index["inlet_valve"]])
    filled = run.finish().part_w.sum(axis=0).mean()
    assert filled == pytest.approx(9.0, abs=1.0)
