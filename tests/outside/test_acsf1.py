"""Recordings of real appliances (ACS-F1, see ``acsf1``): thermostat duty, power factor, source impedance."""

from __future__ import annotations

import numpy as np
import pytest
from loadbook.assessor import Assessor
from loadbook.events import AlertChanged
from loadbook.judge.limits import Limits
from loadbook.reading import Series
from loadbook.recognise.plateau import CHANGED, PlateauFinder

from tests.outside.acsf1 import recording

SESSIONS = ("train", "test")


def plateaus(series: Series) -> list[tuple[float, float]]:
    """(seconds, watts) of each level."""
    finder, out = PlateauFinder(), []
    for at_ms, watts in zip(series.at_ms.tolist(), series.power_w.tolist(), strict=True):
        before = (finder.start_ms, finder.level_mw / 1000)
        if finder.step(at_ms, round(watts * 1000)) == CHANGED and at_ms:
            out.append(((finder.start_ms - before[0]) / 1000, before[1]))
    return [*out, ((int(series.at_ms[-1]) - finder.start_ms) / 1000, finder.level_mw / 1000)]


def runs(series: Series, above_w: float) -> list[tuple[bool, float]]:
    """(on, seconds) of a thermostat, neighbouring levels on the same side joined."""
    out: list[tuple[bool, float]] = []
    for seconds, watts in plateaus(series):
        on = watts > above_w
        if out and out[-1][0] == on:
            out[-1] = (on, out[-1][1] + seconds)
        else:
            out.append((on, seconds))
    return out


@pytest.mark.parametrize("session", SESSIONS)
def test_a_refrigerators_thermostat_runs_a_third_of_the_time_in_both_sessions(session: str) -> None:
    whole = runs(recording("fridge-34", session), 60.0)[1:-1]
    on = [s for is_on, s in whole if is_on]
    off = [s for is_on, s in whole if not is_on]
    assert on
    assert off
    assert all(280 <= s <= 330 for s in on)
    assert all(610 <= s <= 650 for s in off)
    assert np.mean(on) / (np.mean(on) + np.mean(off)) == pytest.approx(0.323, abs=0.01)


@pytest.mark.parametrize("session", SESSIONS)
def test_a_chargers_power_factor_is_watts_over_volts_times_amperes_not_over_the_vars(session: str) -> None:
    """IEEE 1459: with harmonics, S is more than the hypotenuse of P and Q."""
    series = recording("charger-1", session)
    assert series.voltage_v is not None
    assert series.current_a is not None
    assert series.reactive_power_var is not None
    charging = series.power_w > 3.0
    factor = (series.power_w / (series.voltage_v * series.current_a))[charging]
    watts, vars_ = series.power_w[charging], series.reactive_power_var[charging]
    by_vars = watts / np.hypot(watts, vars_)
    assert 0.5 < np.median(factor) < 1.0
    assert np.median(by_vars) > np.median(factor) + 0.02


def ohm_of(series: Series) -> float:
    """The source impedance that the assessor finds, its limit set so low that it must speak."""
    assessor = Assessor(None, Limits(impedance_ohm=0.1))
    events = [*assessor.feed_series(series), *assessor.finish()]
    found = [e.alert for e in events if isinstance(e, AlertChanged) and e.alert.kind == "supply_impedance"]
    assert found
    assert found[0].measured is not None
    return found[0].measured


def test_the_source_impedance_of_one_socket_is_the_same_in_two_sessions() -> None:
    """A microwave oven's 5 A steps on its own socket: 1.25 ohm in both."""
    one, two = (ohm_of(recording("microwave-79", s)) for s in SESSIONS)
    assert one == pytest.approx(1.25, abs=0.15)
    assert two == pytest.approx(one, rel=0.1)


def test_at_the_limit_of_the_trade_this_socket_gives_no_alert() -> None:
    assessor = Assessor(None, Limits())
    events = [*assessor.feed_series(recording("microwave-79", "train")), *assessor.finish()]
    assert not [e for e in events if isinstance(e, AlertChanged) and e.alert.kind == "supply_impedance"]
