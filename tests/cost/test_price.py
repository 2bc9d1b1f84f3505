"""What readings cost: against published figures and an independent computation, and that parts always add up."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from cost_support import CREST_W, FLAT, TWO, crest, ms, series_of_watts, tariff_of
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.cost import UJ_PER_KWH, Cost, EnergyCurve, exact_text, price_series, shown
from loadbook.cost.money import amount_of, half_up
from loadbook.energy import steps_wh
from loadbook.reading import Series


def test_the_profile_is_the_published_one() -> None:
    """138 min and 926.80 Wh, worked out by hand from the model's minutes."""
    assert len(CREST_W) == 138
    assert steps_wh(crest(0)).sum() == pytest.approx(926.80, abs=0.005)


@pytest.mark.parametrize("start", ["2026-06-10T19:10Z", "2026-06-10T03:20:30Z", "2026-10-25T00:11:07Z"])
def test_crest_profile_under_two_bands_as_pandas_has_it(start: str) -> None:
    series = crest(ms(start))
    cost = price_series(tariff_of(TWO), series)
    index = pd.DatetimeIndex(pd.to_datetime(series.at_ms[:-1], unit="ms", utc=True)).tz_convert("Europe/Berlin")
    kwh = pd.Series(np.repeat(CREST_W, 60) / 3600 / 1000, index=index)
    night = (index.hour >= 22) | (index.hour < 6)
    expected = float((kwh * np.where(night, 0.2107, 0.3891)).sum())
    assert float(cost.gross or 0) == pytest.approx(expected, rel=1e-9)
    energies = {band.name: band.energy_kwh for band in cost.bands}
    assert energies.get("night", 0.0) == pytest.approx(float(kwh[night].sum()), rel=1e-9)
    assert cost.energy_kwh == pytest.approx(0.92680, abs=5e-6)


def test_common_practice() -> None:
    """1.151 kWh at 0.36 per kWh is 0.41: common practice, no source."""
    series = series_of_watts(np.append(np.full(3600, 1151.0), 0.0), ms("2026-06-10T10:00Z"))
    cost = price_series(tariff_of(FLAT), series)
    assert cost.energy_uj == 1151 * UJ_PER_KWH // 1000
    assert cost.text() == "0.41436"
    assert cost.shown() == "0.41 EUR"


def test_a_textbook_heater() -> None:
    """189 L of water from 10 to 60 degrees at 0.12 per kWh: 39 557 700 J, 1.32 (a textbook exercise: Essential College
    Physics, 13.46, whose printed joules have two digits swapped; the price is right)."""
    watts = np.append(np.full(3600, 39_557_700 / 3600), 0.0)
    tariff = tariff_of('[[period.band]]\nname = "flat"\nprice = 0.12\n')
    assert price_series(tariff, series_of_watts(watts, ms("2026-06-10T10:00Z"))).shown() == "1.32 EUR"


def test_tax_inside_and_on_top() -> None:
    series = series_of_watts(np.append(np.full(3600, 1000.0), 0.0), ms("2026-06-10T10:00Z"))
    inside = price_series(tariff_of(FLAT, rest="tax = 0.19\n"), series)
    assert inside.gross == Fraction(36, 100)
    assert inside.tax == Fraction(36, 100) - Fraction(36, 119)
    on_top = price_series(tariff_of(FLAT, rest="tax = 0.19\nprices_include_tax = false\n"), series)
    assert on_top.gross == Fraction(36 * 119, 10_000)
    assert on_top.tax == Fraction(36 * 19, 10_000)


def test_energy_without_a_known_price_has_no_cost() -> None:
    series = series_of_watts(np.append(np.full(3600, 1000.0), 0.0), ms("2019-12-31T22:30Z"))
    cost = price_series(tariff_of(FLAT), series)
    assert cost.unpriced_uj == UJ_PER_KWH // 2
    assert cost.gross is None
    assert cost.text() is None
    assert cost.shown() is None


def test_half_up_once_and_only_at_the_end() -> None:
    assert half_up(Fraction("0.125"), 2) == half_up(Fraction("0.1250001"), 2) == amount_of("0.13")
    assert shown(Fraction("-0.005"), "EUR") == "-0.01 EUR"
    assert shown(Fraction("0.5"), "JPY") == "1 JPY"
    assert shown(Fraction("0.0005"), "KWD") == "0.001 KWD"
    just_below = Fraction("0.415") - Fraction(1, 10**15)
    assert shown(amount_of(exact_text(just_below)), "EUR") == "0.41 EUR"
    assert exact_text(Fraction(0)) == "0"
    assert exact_text(Fraction(100)) == "100"


steps = st.lists(st.tuples(st.integers(0, 25_000), st.floats(-500, 4000), st.booleans()), min_size=2, max_size=60)


@given(steps, st.lists(st.integers(0, 400_000), max_size=5), st.booleans())
@settings(max_examples=150, deadline=None)
def test_cutting_a_cycle_anywhere_never_changes_its_cost(
    steps: list[tuple[int, float, bool]], cuts: list[int], with_counter: bool
) -> None:
    start = ms("2026-10-24T19:58Z")  # two minutes before the night band
    at_ms = start + np.cumsum([dt for dt, _, _ in steps], dtype=np.int64)
    watts = np.array([w for _, w, _ in steps])
    counter = np.cumsum(np.abs(watts)) / 100
    counter[[not known for _, _, known in steps]] = np.nan
    series = Series(at_ms=at_ms, power_w=watts, energy_wh=counter if with_counter else None)
    tariff = tariff_of(TWO)
    whole = price_series(tariff, series)
    edges = sorted({int(at_ms[0]), int(at_ms[-1]), *(min(start + cut, int(at_ms[-1])) for cut in cuts)})
    edges = [edge for edge in edges if edge >= at_ms[0]]
    parts = Cost("EUR")
    for low, high in pairwise(edges):
        parts += price_series(tariff, series, low, high)
    assert parts.gross == whole.gross
    assert parts.energy_uj == whole.energy_uj
    assert whole.energy_uj == pytest.approx(steps_wh(series).sum() * 3.6e9, abs=len(steps))


@given(steps, st.integers(1, 59))
@settings(max_examples=50, deadline=None)
def test_cutting_the_log_at_a_reading_never_changes_its_cost(steps: list[tuple[int, float, bool]], cut: int) -> None:
    at_ms = ms("2026-10-24T19:58Z") + np.cumsum([dt for dt, _, _ in steps], dtype=np.int64)
    series = Series(at_ms=at_ms, power_w=np.array([w for _, w, _ in steps]))
    cut = min(cut, len(series) - 1)
    tariff = tariff_of(TWO)
    parts = price_series(tariff, series.slice(0, cut + 1)) + price_series(tariff, series.slice(cut, len(series)))
    assert parts.gross == price_series(tariff, series).gross


def test_a_step_is_split_where_the_price_changes() -> None:
    """A reading held over 22:00 local time for 10 s, 4 s of them before."""
    series = series_of_watts(np.array([3600.0, 0.0]), ms("2026-06-10T19:59:56Z"), 10_000)
    cost = price_series(tariff_of(TWO), series)
    assert {band.name: band.energy_uj for band in cost.bands} == {"day": 4 * 3_600_000_000, "night": 6 * 3_600_000_000}


def test_a_gap_is_priced_only_as_far_as_it_is_known() -> None:
    """Held for 10 s of the gap; with a counter, spread over all of it."""
    start = ms("2026-06-10T19:00Z")
    series = series_of_watts(np.array([3600.0, 0.0]), start, 7_200_000)
    assert price_series(tariff_of(TWO), series).energy_uj == 36_000_000_000
    counted = series_of_watts(np.array([3600.0, 0.0]), start, 7_200_000, energy_wh=np.array([100.0, 1100.0]))
    cost = price_series(tariff_of(TWO), counted)
    assert [band.energy_kwh for band in cost.bands] == [0.5, 0.5]


def test_rows_without_power_are_no_readings() -> None:
    series = series_of_watts(np.array([1000.0, np.nan, 1000.0, 0.0]), ms("2026-06-10T10:00Z"), 4000)
    assert price_series(tariff_of(FLAT), series).energy_uj == 12_000 * 1_000_000


def test_a_long_log_is_the_same_as_its_parts() -> None:
    """More readings than are looked at together, with edges in every part."""
    watts = np.random.default_rng(7).uniform(0, 2000, 300_000)
    series = series_of_watts(watts, ms("2026-06-10T10:00Z"))
    curve = EnergyCurve(series)
    edges = np.linspace(series.at_ms[0] - 5000, series.at_ms[-1] + 5000, 1001).astype(np.int64)
    known = curve.at(edges)
    assert known[0] == 0
    assert known[-1] == curve.between(curve.first_ms, curve.last_ms)
    slow = np.interp(edges, series.at_ms, np.concatenate(([0], np.cumsum(watts[:-1] * 1e6))))
    assert np.abs(known - slow).max() < 300_000  # half a microjoule a reading


def test_a_counter_over_days_of_gap_stays_exact() -> None:
    week = 7 * 86_400_000
    series = series_of_watts(np.array([0.0, 0.0]), ms("2026-06-01T00:00Z"), week, energy_wh=np.array([0.0, 700_000.0]))
    curve = EnergyCurve(series)
    assert curve.between(curve.first_ms, curve.first_ms + week // 7) == 100 * UJ_PER_KWH
