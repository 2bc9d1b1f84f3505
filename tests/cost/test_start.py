"""When to start: every start's cost against pricing the moved log, and that the cheapest is the cheapest."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from cost_support import CREST_W, FLAT, TWO, crest, ms, series_of_watts, tariff_of
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.cost import Tariff, parse_tariff, price_series
from loadbook.cost.programmes import Run
from loadbook.cost.solar import price_with_curve
from loadbook.cost.solar_curve import parse_solar
from loadbook.cost.start import Shape, shape_of, start_costs, starts_within, typical_runs
from loadbook.errors import InputError
from loadbook.files import share
from loadbook.reading import Series
from loadbook.tariff_files import load_tariff

EXPORT = "export_price = 0.08\n"
NOON = "clock,power_w\n10:00,400\n12:15,1500\n13:00,2600\n16:00,200\n19:30,0\n"


def moved(series: Series, start_ms: int) -> Series:
    return Series(at_ms=series.at_ms - series.at_ms[0] + start_ms, power_w=series.power_w)


@pytest.mark.parametrize(
    "tariff",
    [
        tariff_of(TWO, rest="tax = 0.19\nprices_include_tax = false\n"),
        load_tariff(share("config", "tariffs", "quay-half-hours.toml")),
        load_tariff(share("config", "tariffs", "quay-seasons.toml")),
        tariff_of(TWO.replace("0.3891", "0.38913467"), rest="tax = 0.191919\nprices_include_tax = false\n"),
    ],
    ids=["two bands and tax", "half-hours", "seasons", "many digits"],
)
def test_every_start_costs_what_the_moved_log_costs(tariff: Tariff) -> None:
    """A shape that straddles bands, over the night on which clocks go back and into November's slots."""
    log = crest(0)
    shape = shape_of(log)
    starts = starts_within(ms("2026-10-31T19:03:20Z"), ms("2026-11-02T03:00Z"), 30)
    costs = start_costs(tariff, shape, starts)
    assert starts[0] == ms("2026-10-31T19:03Z")
    assert starts[1] == ms("2026-10-31T19:30Z")
    for i, start in enumerate(starts.tolist()):
        slow = price_series(tariff, moved(log, start)).gross
        fast = costs.amount(i)
        assert (slow is None) == (fast is None)
        assert slow is None or (fast is not None and abs(slow - fast) < Fraction(1, 10**9))


def test_half_hour_starts_of_a_year_as_pandas_has_them() -> None:
    """A year of invented half-hour prices, the CREST profile: every start against minutes in pandas."""
    rng = np.random.default_rng(11)
    slots = pd.date_range("2026-01-01", "2027-01-02", freq="30min", tz="UTC", inclusive="left")
    prices = np.round(rng.normal(0.3, 0.1, len(slots)), 4)
    text = "start,price_per_kwh\n" + "".join(f"{t:%Y-%m-%dT%H:%MZ},{p}\n" for t, p in zip(slots, prices, strict=True))
    head = '[tariff]\nid = "t"\nname = "T"\ncurrency = "EUR"\ntime_zone = "UTC"\n'
    tariff = parse_tariff(f'{head}[[period]]\nfrom = 2026-01-01\nprices_csv = "p.csv"\n', "t.toml", lambda name: text)
    starts = np.arange(ms("2026-01-01T00:00Z"), ms("2027-01-01T00:00Z"), 1_800_000, dtype=np.int64)
    costs = start_costs(tariff, shape_of(crest(0)), starts)
    by_minute = pd.Series(prices, index=slots).resample("1min").ffill().to_numpy()
    expected = np.correlate(by_minute, CREST_W / 60_000, mode="valid")[::30][: len(starts)]
    got = costs.cost.astype(float) / costs.scale
    assert len(starts) == 17_520
    assert np.abs(got - expected).max() < 1e-9
    assert costs.cheapest() == int(expected.argmin())


def test_with_a_solar_curve_as_the_moved_log_costs() -> None:
    tariff = tariff_of(TWO, rest=EXPORT)
    curve = parse_solar(NOON, "s.csv", "Europe/Berlin")
    log = crest(0)
    starts = starts_within(ms("2026-06-10T05:00Z"), ms("2026-06-11T05:00Z"), 45)
    costs = start_costs(tariff, shape_of(log), starts, curve)
    for i, start in enumerate(starts.tolist()):
        slow = price_with_curve(tariff, moved(log, start), curve)
        assert slow.total is not None
        assert costs.amount(i) == pytest.approx(float(slow.total), abs=1e-8)
        assert costs.own_mj[i] == pytest.approx(slow.own_uj / 1000, abs=200)


shapes = st.lists(st.integers(0, 150_000_000), min_size=1, max_size=300).filter(any)


@given(shapes, st.integers(0, 3 * 1440), st.sampled_from([1, 15, 30, 60]), st.booleans())
@settings(max_examples=40, deadline=None)
def test_the_cheapest_start_is_never_dearer_than_any_other(
    energy: list[int], first_min: int, every_min: int, with_solar: bool
) -> None:
    """Brute force: minute by minute, one start after the other, in fractions."""
    tariff = tariff_of(TWO, rest=EXPORT + "tax = 0.07\nprices_include_tax = false\n")
    curve = parse_solar(NOON, "s.csv", "Europe/Berlin") if with_solar else None
    now = ms("2026-03-28T12:00Z") + first_min * 60_000
    starts = starts_within(now, now + 40 * every_min * 60_000, every_min)
    costs = start_costs(tariff, Shape(np.array(energy, dtype=np.int64)), starts, curve)
    minutes = np.arange(starts[0], starts[-1] + len(energy) * 60_000, 60_000)
    bands = tariff.spans(int(minutes[0]), int(minutes[-1]) + 60_000)
    price_of = bands.price[np.searchsorted(bands.edges_ms, minutes, side="right") - 1].tolist()
    given_mj = [0] * len(minutes)
    if curve:
        power = curve.spans(int(minutes[0]), int(minutes[-1]) + 60_000)
        given_mj = (power.power_mw[np.searchsorted(power.edges_ms, minutes, side="right") - 1] * 60).tolist()
    best = None
    for i, start in enumerate(starts.tolist()):
        at = (start - int(minutes[0])) // 60_000
        total = Fraction(0)
        for k, mj in enumerate(energy):
            own = min(mj, given_mj[at + k])
            total += (mj - own) * Fraction(price_of[at + k], 10**8) * Fraction(107, 100) + own * Fraction(8, 100)
        total /= 3_600_000_000
        assert costs.amount(i) == total
        best = total if best is None else min(best, total)
    cheapest = costs.cheapest()
    assert cheapest is not None and costs.amount(cheapest) == best
    dearest = costs.dearest()
    assert dearest is not None and (costs.saving(cheapest, dearest) or 0) >= 0


def test_of_equal_starts_the_earliest() -> None:
    starts = starts_within(ms("2026-06-10T10:00Z"), ms("2026-06-10T20:00Z"), 60)
    costs = start_costs(tariff_of(FLAT), shape_of(crest(0)), starts)
    assert costs.cheapest() == 0
    assert costs.saving(5) == 0


def test_a_start_without_a_price_is_not_known() -> None:
    starts = starts_within(ms("2019-12-31T20:00Z"), ms("2020-01-01T00:00Z"), 60)
    costs = start_costs(tariff_of(FLAT), shape_of(crest(0)), starts)
    assert costs.known.tolist() == [False, False, False, True, True]
    assert costs.amount(0) is None
    assert costs.saving(4) is None
    assert costs.cheapest() == 3


def test_windows_and_shapes_that_cannot_be() -> None:
    with pytest.raises(InputError, match="ends before it begins"):
        starts_within(ms("2026-06-10T10:00Z"), ms("2026-06-10T09:00Z"), 15)
    with pytest.raises(InputError, match="more than 600,000 starts"):
        starts_within(0, ms("2026-06-10T09:00Z"), 1)
    with pytest.raises(InputError, match="no energy"):
        shape_of(series_of_watts(np.zeros(100), 0))
    with pytest.raises(InputError, match="more than a day"):
        shape_of(series_of_watts(np.ones(1500), 0, 60_000))
    kolkata = starts_within(ms("2026-06-10T10:05Z"), ms("2026-06-10T12:00Z"), 60, 19_800_000)
    assert kolkata[1] == ms("2026-06-10T10:30Z")  # 16:00 there


def test_the_typical_run_is_one_that_happened() -> None:
    runs = [Run("p", "completed", i, i + 1, kwh) for i, kwh in enumerate((0.9, 0.7, 0.8, 1.2))]
    runs.append(Run("p", "stopped_early", 9, 10, 0.75))
    assert typical_runs(runs) == [runs[2], runs[1], runs[0], runs[3]]
    assert typical_runs([]) == []
