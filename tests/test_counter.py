"""The meter's counter beside power: resets and roll-overs told apart, and a wrong scale noticed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from loadbook.counter import ROLLS_OVER_WH, advance_wh, advanced_wh, compare
from loadbook.reading import Series

N = 7200


def log(power_w: float = 1800.0, start_wh: float = 0.0, step_wh: float = 0.1, scale: float = 1.0) -> Series:
    at_ms = np.arange(N, dtype=np.int64) * 1000
    exact = start_wh + scale * power_w * at_ms / 3_600_000.0
    counter = np.floor(exact / step_wh + 1e-6) * step_wh
    return Series(at_ms=at_ms, power_w=np.full(N, power_w), energy_wh=counter)


def test_they_agree_where_the_meter_is_right():
    found = compare(log())
    assert found.integrated_wh == pytest.approx(1800.0 * (N - 1) / 3600)
    assert found.differs_percent == pytest.approx(0.0, abs=0.01)
    assert (found.resets, found.rollovers) == (0, 0)


def test_a_wrong_scale_is_noticed():
    assert compare(log(scale=1.1)).differs_percent == pytest.approx(10.0, abs=0.1)


def test_a_coarse_counter_says_nothing_yet():
    assert compare(log(step_wh=1000.0)).differs_percent is None
    assert compare(Series(at_ms=np.array([0, 1000]), power_w=np.array([1.0, 1.0]))).differs_percent is None


def test_a_roll_over_is_no_loss():
    series = log(start_wh=10**8 - 1000.0)
    assert series.energy_wh is not None
    series.energy_wh = np.mod(series.energy_wh, 10**8)
    found = compare(series)
    assert (found.resets, found.rollovers) == (0, 1)
    assert found.differs_percent == pytest.approx(0.0, abs=0.01)


def test_a_reset_is_left_out():
    series = log(start_wh=123_456.0)
    assert series.energy_wh is not None
    series.energy_wh[N // 2 :] -= series.energy_wh[N // 2]
    found = compare(series)
    assert (found.resets, found.rollovers) == (1, 0)
    assert found.differs_percent == pytest.approx(0.0, abs=0.1)


@given(
    full=st.sampled_from(ROLLS_OVER_WH), back=st.floats(0, 3), on=st.floats(0, 3), dt_ms=st.integers(1000, 86_400_000)
)
def test_any_roll_over_counts_what_flowed(full, back, on, dt_ms):
    found = advance_wh(full - back, on, dt_ms)
    if on >= full - back:
        return
    assert found is None or found[0] == pytest.approx(back + on, abs=1e-3)
    if back + on <= 25_000 * dt_ms / 3_600_000:
        assert found is not None and found[1]


@given(before=st.floats(1, 9_000), dt_ms=st.integers(0, 60_000))
def test_a_reset_far_from_any_roll_over_is_one(before, dt_ms):
    most_wh = 25_000 * max(dt_ms, 1000) / 3_600_000 + 1
    near = any(before <= full <= before + most_wh for full in ROLLS_OVER_WH)
    assert (advance_wh(before, 0.0, dt_ms) is None) == (not near)


def test_the_last_less_the_first_is_not_what_a_counter_advanced_by():
    at_ms = np.arange(5, dtype=np.int64) * 600_000
    assert advanced_wh(at_ms, np.array([np.nan, 100.0, np.nan, 340.0, 500.0])) == 400.0
    # of four digits; then one that was reset and went past its start
    assert advanced_wh(at_ms, np.array([9_600.0, 9_900.0, 200.0, 340.0, 500.0])) == pytest.approx(
        900.0
    )  # of four digits
    assert advanced_wh(at_ms, np.array([100.0, 123_456.0, 20.0, 300.0, 900.0])) is None
    assert advanced_wh(at_ms, np.full(5, np.nan)) is None


def test_a_counter_reset_in_a_long_gap_did_not_roll_over():
    assert advance_wh(1_600.0, 0.0, 86_400_000) is None
    assert advance_wh(4_060.0, 1_200.0, 86_400_000) is None  # 3.7 kWh over the end of 16 bits: hardly
    assert advance_wh(9_600.0, 0.0, 86_400_000) == (400.0, True)
