"""Cells against the published forms: times of RFC 3339, records of RFC 4180."""

from __future__ import annotations

import pytest
from loadbook.logs.cells import BadCellError, number, split, time_ms


@pytest.mark.parametrize(
    ("text", "at_ms"),
    [
        # RFC 3339, section 5.8; seconds since 1970 as `date --date=TEXT +%s.%3N` (GNU coreutils) gives them.
        ("1985-04-12T23:20:50.52Z", 482_196_050_520),
        ("1996-12-19T16:39:57-08:00", 851_042_397_000),
        ("1996-12-20T00:39:57Z", 851_042_397_000),
        ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130),
        # The leap second of the same section: POSIX counts it as the second after :59.
        ("1990-12-31T23:59:60Z", 662_688_000_000),
        ("1990-12-31T15:59:60-08:00", 662_688_000_000),
    ],
)
def test_times_of_rfc_3339(text: str, at_ms: int) -> None:
    assert time_ms(text) == at_ms
    assert time_ms(f" {text} ") == at_ms


@pytest.mark.parametrize("text", ["", "2026-03-01", "2026-03-01T08:00:00", "08:00:00Z", "2026-03-01T25:00:00Z", "now"])
def test_what_is_no_instant(text: str) -> None:
    with pytest.raises(BadCellError):
        time_ms(text)


@pytest.mark.parametrize(
    ("line", "found"),
    [
        # RFC 4180, section 2, rules 5 to 7.
        ('"aaa","bbb","ccc"', ["aaa", "bbb", "ccc"]),
        ("zzz,yyy,xxx", ["zzz", "yyy", "xxx"]),
        ('"aaa","b\r\nbb","ccc"', ["aaa", "b\r\nbb", "ccc"]),
        ('"aaa","b""bb","ccc"', ["aaa", 'b"bb', "ccc"]),
    ],
)
def test_records_of_rfc_4180(line: str, found: list[str]) -> None:
    assert split(line) == found


@pytest.mark.parametrize(("text", "value"), [("1", 1.0), (" -2.50 ", -2.5), ("+.5e2", 50.0), ("5.", 5.0), ("", None)])
def test_numbers(text: str, value: float | None) -> None:
    assert number(text, "power_w") == value


@pytest.mark.parametrize("text", ["nan", "inf", "1_0", "1,5", "0x1", "1e999", "2e12", "- 1", "٣"])
def test_what_is_no_number(text: str) -> None:
    with pytest.raises(BadCellError, match="power_w"):
        number(text, "power_w")
