"""Plateaus: believed after two readings; one reading alone is a blip; drift is followed; skipping changes nothing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from loadbook.recognise.plateau import BLIP, CHANGED, OUTSIDE, SAME, PlateauFinder, Powers, tolerance_mw


def fed(watts: list[float]) -> tuple[PlateauFinder, list[int]]:
    finder = PlateauFinder()
    return finder, [finder.step(k * 1000, round(w * 1000)) for k, w in enumerate(watts)]


def test_a_new_level_is_believed_at_its_second_reading_and_dated_to_its_first() -> None:
    finder, did = fed([2.0, 2.0, 2.1, 70.0, 71.0, 70.5])
    assert did == [CHANGED, SAME, SAME, OUTSIDE, CHANGED, SAME]
    assert finder.start_ms == 3000
    assert finder.from_mw == pytest.approx(2000, abs=100)
    assert finder.from_n == 3


def test_one_reading_of_twice_the_load_is_a_blip() -> None:
    finder, did = fed([1800.0, 1800.0, 3600.0, 1800.0, 1800.0])
    assert did == [CHANGED, SAME, OUTSIDE, BLIP, SAME]
    assert finder.start_ms == 0


def test_a_heater_that_decays_by_fifteen_percent_in_minutes_is_followed() -> None:
    watts = (1800 * np.linspace(1, 0.85, 900)).tolist()
    _, did = fed(watts)
    assert did.count(CHANGED) == 1


def test_a_valve_over_standby_is_a_level_of_its_own() -> None:
    _, did = fed([1.2] * 5 + [8.2] * 5)
    assert did.count(CHANGED) == 2


@given(st.lists(st.floats(0, 3000), min_size=2, max_size=200), st.integers(0, 50))
def test_skipping_ends_where_single_steps_would(watts: list[float], repeats: int) -> None:
    power = np.round(np.repeat(np.array(watts), repeats + 1) * 1000).astype(np.int64)
    one, many = PlateauFinder(), PlateauFinder()
    did_one = [one.step(k * 1000, p) for k, p in enumerate(power.tolist())]
    powers = Powers.of(power)
    at, did_many = 0, []
    while at < len(power):
        stop = many.skip(powers, at, len(power))
        did_many += [SAME] * (stop - at)
        at = stop
        if at < len(power):
            did_many.append(many.step(at * 1000, powers.listed[at]))
            at += 1
    assert did_one == did_many
    assert one == many


def test_the_tolerance_is_three_watts_and_four_percent() -> None:
    assert tolerance_mw(0) == 3_000
    assert tolerance_mw(2_000_000) == 83_000
