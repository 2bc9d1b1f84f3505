"""The simulator obeys physics and its own chart: energy, Ohm, the meter's columns, durations, seeds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.simulate import catalogue, hard, machines
from loadbook.simulate.metering import COARSE, FULL, read_out
from loadbook.simulate.model import WATER_J_PER_L_K, Model
from loadbook.simulate.play import Session, Turn, play
from loadbook.simulate.run import DT_S, Health, Run
from loadbook.simulate.supply import Slope, Supply

MODELS = [model for model, _ in catalogue.bench_models().values()]
IDS = [m.id for m in MODELS]


@pytest.mark.parametrize("model", MODELS, ids=IDS)
def test_a_healthy_run_keeps_to_its_own_chart_and_expects_no_alert(model: Model) -> None:
    for programme in model.programmes:
        made = catalogue.healthy(model, programme, 5).make()
        assert made.truth.expected == []
        rows = {p.id: p for p in model.machine.programme(programme).phases}
        for stay in made.recorded.run.stays:
            seconds = (stay.end - stay.start) * DT_S
            assert rows[stay.id].min_s <= seconds <= rows[stay.id].max_s, stay.id


def still_water(litres: float, watts_from_v: float, seconds: float) -> Run:
    """Water heated by the dishwasher's heater with no losses."""
    model = machines.dishwasher()
    object.__setattr__(model, "loss_w_per_k", 0.0)
    run = Run(model, 1, Supply(1, open_v=watts_from_v, wander_v=0.0, source_ohm=0.3))
    run.add_water(litres)
    run.draw(seconds, heater=1.0)
    return run


@settings(max_examples=25, deadline=None)
@given(st.floats(2.0, 20.0), st.floats(200.0, 250.0), st.floats(30.0, 150.0))
def test_heat_into_the_water_is_the_integral_of_the_heaters_watts(litres: float, volts: float, seconds: float) -> None:
    run = still_water(litres, volts, seconds)
    joules = float(run.finish().watts("heater").sum()) * DT_S
    assert litres * WATER_J_PER_L_K * (run.water_c - run.inlet_c) == pytest.approx(joules, rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.floats(180.0, 260.0), st.floats(0.05, 2.5))
def test_a_heater_is_a_resistance_behind_the_sources_resistance(volts: float, source_ohm: float) -> None:
    """A divider: V = E R / (R + Rs), P = V^2 / R."""
    model = machines.dishwasher()
    supply = Supply(3, open_v=volts, wander_v=0.0, source_ohm=source_ohm)
    run = Run(model, 3, supply)
    run.board_w = 0.0
    run.draw(10.0, heater=1.0)
    recorded = run.finish()
    ohm = 1.0 / run.siemens[run.index["heater"]]
    at_socket = supply.open_circuit_v(recorded.t_s) * ohm / (ohm + source_ohm)
    assert np.allclose(recorded.volts, at_socket, rtol=2e-5)
    assert np.allclose(recorded.watts("heater"), recorded.volts**2 / ohm, rtol=1e-4)


@pytest.mark.parametrize("model", MODELS, ids=IDS)
def test_the_meters_columns_agree_with_each_other(model: Model) -> None:
    made = catalogue.healthy(model, next(iter(model.programmes)), 2).make()
    columns = read_out(made.recorded, FULL, 9).columns
    busy = columns["power_w"] > 100
    apparent = columns["voltage_v"] * columns["current_a"]
    assert np.allclose(apparent[busy] * columns["power_factor"][busy], columns["power_w"][busy], rtol=3e-3)
    assert (columns["power_w"] <= apparent * 1.001 + 0.5).all()
    held_wh = float(columns["power_w"][:-1].sum()) / 3600.0
    counted_wh = float(columns["energy_wh"][-1] - columns["energy_wh"][0])
    assert counted_wh == pytest.approx(held_wh, abs=2.0 + 0.002 * held_wh)


def test_the_dip_when_the_heater_switches_is_the_source_resistance() -> None:
    run = Run(machines.dishwasher(), 4, Supply(4, wander_v=0.0, source_ohm=0.8))
    run.draw(20.0, circulation_pump=1.0)
    run.draw(20.0, circulation_pump=1.0, heater=1.0)
    recorded = run.finish()
    amps = recorded.part_w.sum(axis=0) / recorded.volts
    edge = round(20.0 / DT_S)
    ohm = -(recorded.volts[edge + 4] - recorded.volts[edge - 4]) / (amps[edge + 4] - amps[edge - 4])
    assert ohm == pytest.approx(0.8, rel=0.05)


def test_heating_takes_longer_on_a_low_supply() -> None:
    def heat_s(factor: float) -> float:
        supply = Supply(8, slopes=(Slope(factor),))
        recorded = play(machines.washer(), Session((Turn("mixed-40"),)), 8, supply)
        stay = next(s for s in recorded.run.stays if s.id == "main-heat")
        return (stay.end - stay.start) * DT_S

    assert heat_s(0.9) / heat_s(1.0) == pytest.approx(1 / 0.81, rel=0.04)


def test_half_a_heater_draws_half_the_watts_and_heats_twice_as_long() -> None:
    model = machines.washer()
    whole = play(model, Session((Turn("mixed-40"),)), 3)
    half_turn = catalogue.faulty(model, "mixed-40", "heater-half", 3)
    assert half_turn is not None
    half = play(model, half_turn.session, 3)
    assert half.watts("heater").max() / whole.watts("heater").max() == pytest.approx(0.5, rel=0.03)
    assert (half.watts("heater") > 1).sum() / (whole.watts("heater") > 1).sum() == pytest.approx(2.0, rel=0.1)


def test_a_coarse_meter_shows_steps_of_two_watts_every_few_seconds() -> None:
    made = catalogue.healthy(hard.spray_dishwasher(), "supper-65", 1, COARSE).make()
    assert set(np.unique(np.mod(made.rows.columns["power_w"], 2.0)).tolist()) == {0.0}
    assert set(np.diff(made.rows.stamp_s).tolist()) == {3.0, 4.0, 5.0}


@pytest.mark.parametrize("fault", ["heater-open", "motor-absent", "fill-overlong", "power-cut", "supply-low"])
def test_the_same_seed_gives_the_same_readings_and_another_seed_others(fault: str) -> None:
    model = machines.dishwasher()
    one, two, other = (catalogue.faulty(model, "daily-60", fault, seed) for seed in (1, 1, 2))
    assert one and two and other
    first = one.make().rows.columns["power_w"]
    assert np.array_equal(first, two.make().rows.columns["power_w"])
    assert not np.array_equal(first, other.make().rows.columns["power_w"][: first.size])


def test_an_outage_stops_the_clock_of_the_machine_but_not_of_the_meter() -> None:
    run = Run(machines.dishwasher(), 1, Supply(1))
    run.phase_id, run.outages = "x", {"x": (5.0, 60.0)}
    run.draw(10.0, circulation_pump=1.0)
    recorded = run.finish()
    assert recorded.volts.size * DT_S == 70.0
    assert (recorded.volts == 0).sum() * DT_S == 60.0
    assert (recorded.watts("circulation_pump") > 1).sum() * DT_S == 10.0


def test_a_part_that_fails_in_one_phase_only_fails_there() -> None:
    run = Run(machines.dishwasher(), 1, Supply(1), health={"heater@hot": Health(scale=0.0, from_s=2.0)})
    run.phase_id = "warm"
    run.draw(5.0, heater=1.0)
    run.phase_id, run.phase_start = "hot", run.n
    run.draw(5.0, heater=1.0)
    on = run.finish().watts("heater") > 1
    assert on[: round(7.0 / DT_S)].all()
    assert not on[round(7.0 / DT_S) :].any()
