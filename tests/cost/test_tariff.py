"""Tariff files, and that bands cut time without a hole or an overlap, on both nights on which clocks change."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.cost import parse_tariff
from loadbook.cost.tariff import NO_BAND, Tariff
from loadbook.cost.tariff_file import DAY_NAMES, Season
from loadbook.errors import InputError
from loadbook.files import share
from loadbook.tariff_files import load_tariff, tariff_path

HEAD = '[tariff]\nid = "t"\nname = "T"\ncurrency = "EUR"\ntime_zone = "{zone}"\n'
NIGHT = """
[[period]]
from = 2025-01-01
[[period.band]]
name = "night"
price = 0.2
from = "{start}"
to = "{end}"
[[period.band]]
name = "day"
price = 0.4
"""


def two_bands(zone: str, start: str = "22:00", end: str = "06:00") -> Tariff:
    return parse_tariff(HEAD.format(zone=zone) + NIGHT.format(start=start, end=end), "t.toml")


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def band_by_clock(tariff: Tariff, at_ms: int) -> str:
    """The band at an instant by asking the wall clock there: an independent, slow way."""
    local = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(tariff.zone)
    period = [p for p in tariff.periods if p.first <= local.date()][-1]
    minute = local.hour * 60 + local.minute
    kind = DAY_NAMES.index("holiday") if tariff.day_kind(local.date()) == 7 else local.weekday()
    for band in period.bands:
        if (band.season is None or band.season.holds(local.date())) and band.holds(minute, kind):
            return band.name
    return ""


@pytest.mark.parametrize("path", sorted(share("config", "tariffs").glob("*.toml")), ids=lambda p: p.stem)
def test_the_tariffs_that_come_along_can_be_read(path: Path) -> None:
    tariff = load_tariff(path)
    assert tariff.id == path.stem
    assert tariff_path(path.stem) == path


# Transitions of the IANA time zone database: Berlin 2026-03-29 and 2026-10-25, New York 2026-03-08 and 2026-11-01,
# Lord Howe (half an hour) 2026-04-05, Chile (at midnight) 2026-09-06, Kolkata (none, offset 5:30).
NIGHTS = [
    ("Europe/Berlin", "2026-03-28T20:00Z"),
    ("Europe/Berlin", "2026-10-24T20:00Z"),
    ("America/New_York", "2026-03-08T00:00Z"),
    ("America/New_York", "2026-11-01T00:00Z"),
    ("Australia/Lord_Howe", "2026-04-04T08:00Z"),
    ("Australia/Lord_Howe", "2026-10-03T08:00Z"),
    ("America/Santiago", "2026-09-05T20:00Z"),
    ("America/Santiago", "2026-04-04T20:00Z"),
    ("Asia/Kolkata", "2026-06-01T00:00Z"),
]


@pytest.mark.parametrize(("zone", "around"), NIGHTS)
@given(
    quarters=st.tuples(st.integers(0, 95), st.integers(0, 95)),
    first=st.integers(0, 86_400_000),
    length=st.integers(1, 3 * 86_400_000),
)
@settings(max_examples=25, deadline=None)
def test_bands_cut_time_exactly(zone: str, around: str, quarters: tuple[int, int], first: int, length: int) -> None:
    start, end = quarters if quarters[0] != quarters[1] else (quarters[0], (quarters[0] + 1) % 96)
    clock = [f"{q // 4:02d}:{q % 4 * 15:02d}" for q in (start, end)]
    tariff = two_bands(zone, *clock)
    begin = ms(around) + first - 43_200_000
    spans = tariff.spans(begin, begin + length)
    assert spans.edges_ms[0] == begin
    assert spans.edges_ms[-1] == begin + length
    assert (np.diff(spans.edges_ms) > 0).all()
    for i, band in enumerate(spans.band.tolist()):
        low, high = int(spans.edges_ms[i]), int(spans.edges_ms[i + 1])
        for at in {low, (low + high) // 2, high - 1}:
            assert band_by_clock(tariff, at) == tariff.band_names[band]


@pytest.mark.parametrize(("day", "hours"), [("2026-03-29", 23), ("2026-10-25", 25), ("2026-06-01", 24)])
def test_a_day_has_as_many_hours_as_it_has(day: str, hours: int) -> None:
    """A night band from 22:00 to 06:00 is 7, 9 or 8 h long; the day band always 16 h."""
    tariff = two_bands("Europe/Berlin")
    zone = ZoneInfo("Europe/Berlin")
    midnight = datetime.fromisoformat(day).replace(tzinfo=zone)
    begin, end = midnight, datetime.combine(midnight.date() + timedelta(days=1), midnight.timetz())
    spans = tariff.spans(round(begin.timestamp() * 1000), round(end.timestamp() * 1000))
    length_h = np.diff(spans.edges_ms) / 3.6e6
    assert length_h[spans.band == 1].sum() == 16
    assert length_h.sum() == hours


def test_public_holidays_and_seasons() -> None:
    tariff = load_tariff(share("config", "tariffs", "quay-two-rates.toml"))
    noon = {
        "2026-12-23T11:00Z": "day",  # a Wednesday
        "2026-12-25T11:00Z": "night",  # Christmas Day, a Friday
        "2026-05-04T11:00Z": "night",  # a further holiday of the tariff's own, a Monday
        "2026-05-09T11:00Z": "night",  # a Saturday
        "2026-10-31T11:00Z": "night",  # Saturday
        "2025-10-31T11:00Z": "night",  # Friday, Reformation Day: a public holiday in Hamburg since 2018
    }
    for at, name in noon.items():
        spans = tariff.spans(ms(at), ms(at) + 1)
        assert tariff.band_names[spans.band[0]] == name, at
    seasons = load_tariff(share("config", "tariffs", "quay-seasons.toml"))
    for at, name in {
        "2026-11-02T17:00Z": "winter evening",
        "2026-03-02T17:00Z": "other times",
        "2028-02-29T17:00Z": "winter evening",
        "2026-07-06T22:29Z": "other times",  # 23:29 in summer
        "2026-07-06T22:30Z": "night",
    }.items():
        spans = seasons.spans(ms(at), ms(at) + 1)
        assert seasons.band_names[spans.band[0]] == name, at


def test_a_new_period_begins_at_local_midnight() -> None:
    tariff = load_tariff(share("config", "tariffs", "quay-flat.toml"))
    spans = tariff.spans(ms("2025-12-31T22:00Z"), ms("2026-01-01T02:00Z"))
    assert spans.edges_ms.tolist()[1] == ms("2025-12-31T23:00Z")
    assert spans.price.tolist() == [34_000_000, 36_000_000]
    before = tariff.spans(ms("2024-12-31T12:00Z"), ms("2025-01-01T12:00Z"))
    assert before.band.tolist()[0] == NO_BAND
    assert tariff.standing(date(2025, 12, 31), date(2026, 1, 1)) == pytest.approx(0.38 + 0.41)


def test_slots_lie_over_bands() -> None:
    text = HEAD.format(zone="Europe/Berlin") + (
        '[[period]]\nfrom = 2026-01-01\nprices_csv = "p.csv"\nsurcharge = 0.1\n'
        '[[period.band]]\nname = "else"\nprice = 1\n'
    )
    table = "start,price_per_mwh\n2026-01-02T00:00Z,50\n2026-01-02T00:15Z,-20.5\n2026-01-02T00:45Z,70\n"
    tariff = parse_tariff(text, "t.toml", lambda name: table)
    spans = tariff.spans(ms("2026-01-01T23:50Z"), ms("2026-01-02T02:00Z"))
    minutes = ((spans.edges_ms - spans.edges_ms[0]) / 60_000).tolist()
    assert minutes == [0, 10, 25, 40, 55, 70, 130]
    assert (spans.price / 1e8).tolist() == pytest.approx([1.1, 0.15, 0.0795, 1.1, 0.17, 1.1])


BAD = [
    ('currency = "EUR"', 'currency = "EUX"', "ISO 4217"),
    ('time_zone = "Europe/Berlin"', 'time_zone = "Europe/Nowhere"', "IANA time zone"),
    ('from = "22:00"', 'from = "25:00"', "time of day"),
    ('to = "06:00"', 'to = "22:00"', "same time"),
    ("price = 0.4", "price = 0.123456789", "price"),
    ('name = "day"', 'name = "day"\nfrom = "07:00"', "no price on mon 06:00"),
    ("price = 0.4", 'price = 0.4\ndays = ["mon"]', "no price on tue 06:00"),
    ("price = 0.4", 'price = 0.4\nseason = { from = "03-01", to = "02-28" }', "02-29"),
    ("price = 0.4", 'price = 0.4\nseason = { from = "02-30", to = "02-28" }', "day of the year"),
    ("price = 0.4", "price = 0.4\nkolour = 1", "no such key"),
    ('name = "T"', 'name = "T"\nholidays = "XX"', "public holidays"),
    ("from = 2025-01-01", "from = 2025-01-01\n[[period]]\nfrom = 2024-01-01", "no price"),
]


@pytest.mark.parametrize(("old", "new", "says"), BAD)
def test_a_bad_file_is_refused_in_one_line(old: str, new: str, says: str) -> None:
    text = HEAD.format(zone="Europe/Berlin") + NIGHT.format(start="22:00", end="06:00")
    assert old in text
    with pytest.raises(InputError) as bad:
        parse_tariff(text.replace(old, new), "t.toml")
    assert "\n" not in str(bad.value)
    assert str(bad.value).startswith("t.toml: ")
    assert says in str(bad.value)


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("begin,price\n", "needs the columns"),
        ("start,price_per_kwh\n2026-01-01T00:00Z,0.1\n", "at least two"),
        ("start,price_per_kwh\n2026-01-01T00:00,0.1\n", "row 2: '2026-01-01T00:00' has no offset"),
        ("start,price_per_kwh\n2026-01-01T00:00Z,0.1\nyesterday,0.1\n", "row 3"),
        ("start,price_per_kwh\n2026-01-01T00:00Z,cheap\n", "row 2: the price is no number"),
        ("start,price_per_kwh\n2026-01-01T00:00Z\n", "row 2: has 1 cells"),
        ("start,price_per_kwh\n2026-01-01T00:00Z,0.1\n2026-01-01T00:00Z,0.2\n", "second price"),
        ("start,price_per_kwh\n2026-01-01T00:00Z,0.1\n2026-01-01T00:07Z,0.2\n", "7 min apart"),
        ("start,price_per_kwh\n2026-01-01T00:00Z,nan\n", "row 2"),
    ],
)
def test_a_bad_price_table_is_refused_by_row(table: str, says: str) -> None:
    text = HEAD.format(zone="UTC") + '[[period]]\nfrom = 2026-01-01\nprices_csv = "p.csv"\n'
    with pytest.raises(InputError) as bad:
        parse_tariff(text, "t.toml", lambda name: table)
    assert str(bad.value).startswith("p.csv: ")
    assert says in str(bad.value)


def test_a_missing_price_table_is_named(tmp_path: Path) -> None:
    path = tmp_path / "t.toml"
    path.write_text(HEAD.format(zone="UTC") + '[[period]]\nfrom = 2026-01-01\nprices_csv = "p.csv"\n')
    with pytest.raises(InputError, match=r"p\.csv"):
        load_tariff(path)


def test_both_ends_of_a_season_belong_to_it() -> None:
    winter = Season.model_validate({"from": "11-01", "to": "02-29"})
    summer = Season.model_validate({"from": "04-01", "to": "09-30"})
    around: tuple[tuple[int, int], ...] = ((10, 31), (11, 1), (12, 31), (2, 28), (3, 1))
    assert [winter.holds(date(2027, m, d)) for m, d in around] == [False, True, True, True, False]
    assert winter.holds(date(2028, 2, 29))
    around = ((3, 31), (4, 1), (9, 30), (10, 1))
    assert [summer.holds(date(2027, m, d)) for m, d in around] == [False, True, True, False]
