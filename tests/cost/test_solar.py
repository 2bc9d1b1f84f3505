"""Own and bought energy: a second meter on the generation or on the connection, or a curve from a file."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from cost_support import CREST_W, FLAT, TWO, crest, ms, series_of_watts, tariff_of
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.cost import UJ_PER_KWH, price_series
from loadbook.cost.solar import price_with_curve, price_with_meter
from loadbook.cost.solar_curve import parse_solar
from loadbook.errors import InputError
from loadbook.reading import Series

START = ms("2026-06-10T10:00Z")
EXPORT = "export_price = 0.08\n"


def hour_of(watts: float, start_ms: int = START, step_ms: int = 1000) -> Series:
    return series_of_watts(np.full(3_600_000 // step_ms + 1, watts), start_ms, step_ms)


def test_generation_covers_what_it_can() -> None:
    """2000 W for an hour with 1500 W from the roof: 1.5 kWh own, 0.5 kWh bought."""
    cost = price_with_meter(tariff_of(FLAT, rest=EXPORT), hour_of(2000), hour_of(-1500, step_ms=2000), "generation")
    assert cost.own_uj == 3 * UJ_PER_KWH // 2
    assert cost.own_share == 0.75
    assert cost.bought.gross == Fraction("0.18")
    assert cost.export_lost == Fraction("0.12")
    assert cost.total == Fraction("0.30")
    assert cost.saved == Fraction("0.42")
    assert cost.text() == "0.3"


def test_the_connection_says_what_was_bought() -> None:
    """Importing 300 W while the machine draws 2000 W: without the machine 1700 W would be exported."""
    tariff = tariff_of(FLAT, rest=EXPORT)
    assert price_with_meter(tariff, hour_of(2000), hour_of(300), "grid").own_uj == 17 * UJ_PER_KWH // 10
    assert price_with_meter(tariff, hour_of(2000), hour_of(-300), "grid").own_uj == 2 * UJ_PER_KWH
    assert price_with_meter(tariff, hour_of(2000), hour_of(5000), "grid").own_uj == 0


@pytest.mark.parametrize("source", ["generation", "grid"])
def test_a_silent_second_meter_means_bought(source: str) -> None:
    """The second meter falls silent after 20 min: its last reading counts for 10 s, then all is bought."""
    value = {"generation": 3000.0, "grid": -1000.0}[source]
    second = hour_of(value).slice(0, 1201)
    later = series_of_watts(np.array([value]), START + 3_600_000)
    gappy = Series(
        at_ms=np.concatenate((second.at_ms, later.at_ms)), power_w=np.concatenate((second.power_w, later.power_w))
    )
    cost = price_with_meter(tariff_of(FLAT), hour_of(1000), gappy, source)
    assert cost.own_uj == 1210 * 1_000_000_000
    nothing = second.slice(0, 0)
    assert price_with_meter(tariff_of(FLAT), hour_of(1000), nothing, source).own_uj == 0


def test_crest_profile_under_a_noon_curve_as_pandas_has_it() -> None:
    series = crest(START)
    text = "clock,power_w\n" + "".join(f"{h:02d}:30,{p}\n" for h, p in ((11, 300), (12, 900.5), (13, 2100), (14, 40)))
    cost = price_with_curve(tariff_of(TWO, rest=EXPORT), series, parse_solar(text, "s.csv", "Europe/Berlin"))
    index = pd.DatetimeIndex(pd.to_datetime(series.at_ms[:-1], unit="ms", utc=True)).tz_convert("Europe/Berlin")
    minute = index.hour * 60 + index.minute
    given_w = np.select([minute >= 870, minute >= 810, minute >= 750, minute >= 690], [40, 2100, 900.5, 300], 0)
    own = np.minimum(np.repeat(CREST_W, 60), given_w) / 3.6e6
    assert cost.own_kwh == pytest.approx(own.sum(), rel=1e-9)
    assert float(cost.saved or 0) == pytest.approx(own.sum() * (0.3891 - 0.08), rel=1e-9)
    assert cost.bought.energy_kwh == pytest.approx(0.92680 - own.sum(), abs=5e-6)


pieces = st.lists(st.tuples(st.integers(1, 15_000), st.floats(0, 3000)), min_size=2, max_size=30)


@given(pieces, pieces, st.sampled_from(["generation", "grid"]), st.integers(0, 100_000))
@settings(max_examples=60, deadline=None)
def test_own_and_bought_are_all_and_parts_add_up(
    load: list[tuple[int, float]], other: list[tuple[int, float]], source: str, cut: int
) -> None:
    start = ms("2026-06-10T19:59Z")
    series, second = (
        Series(at_ms=start + np.cumsum([dt for dt, _ in p], dtype=np.int64), power_w=np.array([w for _, w in p]))
        for p in (load, other)
    )
    tariff = tariff_of(TWO, rest=EXPORT)
    whole = price_with_meter(tariff, series, second, source)
    assert whole.energy_uj == price_series(tariff, series).energy_uj
    assert 0 <= whole.own_uj <= whole.energy_uj
    all_bought = price_series(tariff, series).gross
    assert whole.total is not None and whole.saved is not None and all_bought is not None
    assert whole.total + whole.saved == all_bought
    middle = min(start + cut, int(series.at_ms[-1]))
    parts = [price_with_meter(tariff, series, second, source, end_ms=middle)] if middle > series.at_ms[0] else []
    parts.append(price_with_meter(tariff, series, second, source, start_ms=max(middle, int(series.at_ms[0]))))
    assert sum(p.energy_uj for p in parts) == whole.energy_uj
    assert abs(sum(p.own_uj for p in parts) - whole.own_uj) <= 1  # a microjoule, where a step is cut in two


def test_a_curve_by_instants_holds_for_an_hour_at_most() -> None:
    text = "start,power_w\n2026-06-10T10:00Z,1000\n2026-06-10T10:30Z,500\n2026-06-10T13:00Z,700\n"
    spans = parse_solar(text, "s.csv", "UTC").spans(ms("2026-06-10T09:00Z"), ms("2026-06-10T15:00Z"))
    hours = ((spans.edges_ms - ms("2026-06-10T09:00Z")) / 3.6e6).tolist()
    assert hours == [0, 1, 1.5, 2.5, 4, 5, 6]
    assert spans.power_mw.tolist() == [0, 1_000_000, 500_000, 0, 700_000, 0]


def test_a_usual_day_for_each_month() -> None:
    text = "month,clock,power_w\n6,06:00,100\n6,20:00,0\n12,10:00,50\n"
    curve = parse_solar(text, "s.csv", "Europe/Berlin")
    spans = curve.spans(ms("2026-06-30T16:00Z"), ms("2026-07-01T16:00Z"))
    assert spans.power_mw[0] == 100_000
    assert spans.power_mw[-1] == 0  # July has no rows


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("time,power_w\n", "needs the columns"),
        ("clock,start,power_w\n", "needs the columns"),
        ("clock,power_w\n25:00,1\n", "row 2: write a time of day"),
        ("clock,power_w\n05:00,-1\n", "row 2: power_w is -1"),
        ("clock,power_w\n05:00,much\n", "row 2: power_w is 'much'"),
        ("month,clock,power_w\n13,05:00,1\n", "row 2: month is '13'"),
        ("start,power_w\n2026-01-01T00:00,1\n", "no offset"),
        ("start,power_w\n2026-01-01T00:00:30Z,1\n", "whole minutes"),
        ("clock,power_w\n05:00\n", "row 2: has 1 cells"),
        ("clock,power_w\n", "has no row"),
    ],
)
def test_a_bad_curve_is_refused_by_row(text: str, says: str) -> None:
    with pytest.raises(InputError) as bad:
        parse_solar(text, "s.csv", "UTC")
    assert str(bad.value).startswith("s.csv: ")
    assert says in str(bad.value)
