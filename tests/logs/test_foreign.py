"""Other people's logs: whatever dress a log is given, the same readings come out of `loadbook import`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.cli import main
from loadbook.errors import InputError
from loadbook.logs import read_log
from loadbook.logs.foreign import Form, Importer, Source, parse_source
from loadbook.reading import Reading

OSLO = ZoneInfo("Europe/Oslo")


def rows(text: str, **form: object) -> list[Reading | str]:
    form = {"time": ("time",), "sources": (Source("power_w", "power_w", "W"),)} | form
    return [found for _, found in Importer(Form(**form), "old.csv").rows(text.splitlines(keepends=True))]  # type: ignore[arg-type]


def utc_ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


many = st.lists(
    st.builds(
        Reading,
        at_ms=st.datetimes(datetime(2001, 1, 1), datetime(2098, 12, 31), timezones=st.just(UTC)).map(
            lambda t: int(t.timestamp()) * 1000
        ),
        power_w=st.none() | st.decimals(-9999, 9999, places=2).map(float),
        voltage_v=st.none() | st.decimals(0, 400, places=2).map(float),
    ),
    min_size=1,
    max_size=8,
)


@settings(max_examples=200, deadline=None)
@given(
    readings=many,
    separator=st.sampled_from([",", ";", "\t", "|"]),
    decimal=st.sampled_from([".", ","]),
    order=st.sampled_from(["%Y-%m-%d", "%d.%m.%Y", "%m/%d/%Y", "%y/%m/%d", "%d-%m-%y"]),
    clock=st.sampled_from(["%H:%M:%S", "%I:%M:%S %p"]),
    apart=st.booleans(),
    kilo=st.booleans(),
)
def test_any_dress_comes_off(
    *, readings: list[Reading], separator: str, decimal: str, order: str, clock: str, apart: bool, kilo: bool
) -> None:
    quote = '"' if separator == decimal else ""
    titles = ["Volt", *(["Day", "Clock"] if apart else ["When"]), "Load"]
    lines = [separator.join(titles)]
    for r in readings:
        at = datetime.fromtimestamp(r.at_ms / 1000, UTC)
        stamp = [at.strftime(order), at.strftime(clock)]
        power = "" if r.power_w is None else f"{r.power_w / 1000:.5f}" if kilo else f"{r.power_w:.2f}"
        volts = "" if r.voltage_v is None else f"{r.voltage_v:.2f}"
        numbers = [text.replace(".", decimal) for text in (volts, power)]
        cells = [numbers[0], *(stamp if apart else [" ".join(stamp)]), numbers[1]]
        lines.append(separator.join(quote + cell + quote for cell in cells))
    found = rows(
        "\n".join(lines) + "\n",
        time=("Day", "Clock") if apart else ("When",),
        sources=(Source("power_w", "Load", "kW" if kilo else "W"), Source("voltage_v", "Volt", "V")),
        separator=separator,
        decimal=decimal,
        date_order={"Y": "ymd", "y": "ymd", "d": "dmy", "m": "mdy"}[order[1]],
        zone=ZoneInfo("UTC"),
    )
    assert found == readings


@settings(max_examples=200, deadline=None)
@given(st.text("0123456789-:.,;TZ \"/apm\n'kW", max_size=200))
def test_rubbish_is_left_out_and_never_a_traceback(body: str) -> None:
    try:
        found = rows("time;power_w\n" + body, separator=";", zone=OSLO)
    except InputError:
        return
    assert all(isinstance(row, Reading | str) for row in found)


def test_the_hour_that_comes_twice_and_the_one_that_never_comes() -> None:
    # Both nights of 2026 in the IANA time zone database: 29 March and 25 October, 01:00 UTC.
    autumn = "".join(
        f"25.10.2026 {clock},1\n" for clock in ("01:59:59", "02:00:00", "02:59:59", "02:00:00", "03:00:00")
    )
    found = rows("time,power_w\n" + autumn, zone=OSLO)
    assert [r.at_ms - utc_ms("2026-10-24T23:59:59Z") for r in found] == [0, 1000, 3_600_000, 3_601_000, 7_201_000]
    spring = rows("time,power_w\n29.03.2026 01:59:59,1\n29.03.2026 02:30:00,1\n29.03.2026 03:00:00,1\n", zone=OSLO)
    assert isinstance(spring[1], str) and "does not exist in Europe/Oslo" in spring[1]
    assert spring[2].at_ms - spring[0].at_ms == 1000  # type: ignore[union-attr]


def test_the_date_order_is_seen_or_asked_for() -> None:
    late = "time,power_w\n01/02/2026 00:00:00,1\n13/02/2026 00:00:00,1\n"
    assert rows(late, zone=OSLO)[0] == Reading(utc_ms("2026-02-01T00:00:00+01:00"), 1.0)
    american = rows(late.replace("13/02", "02/13"), zone=OSLO)
    assert american[0] == Reading(utc_ms("2026-01-02T00:00:00+01:00"), 1.0)
    with pytest.raises(InputError, match="nothing says whether '01/02/2026 00:00:00' starts with the day"):
        rows(late.replace("13/02", "03/02"), zone=OSLO)


def test_other_forms() -> None:
    assert rows("preamble\n\n1700000000.5 12\n", header=False, skip_lines=1, epoch="s", time=("1",),
                sources=(Source("power_w", "2", "W"),)) == [Reading(1_700_000_000_500, 12.0)]  # fmt: skip
    swiss = rows("time;power_w\n2026-03-01 08:00;1'234,5 W\n", thousands="'", decimal=",", zone=OSLO)
    assert swiss == [Reading(utc_ms("2026-03-01T07:00:00Z"), 1234.5)]
    assert rows("time,power_w\n2026-03-01T08:00:00+01:00,7\n") == [Reading(utc_ms("2026-03-01T07:00:00Z"), 7.0)]
    assert rows("time,power_w\n2026-03-01 08:00:00,7\n") == [
        "the time '2026-03-01 08:00:00' has no offset; give --zone"
    ]
    assert rows("time,power_w\n2026-03-01T08:00:00Z,1.2.3\n") == ["power_w '1.2.3' is not a number"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("power=x", "write QUANTITY=COLUMN"),
        ("power_w", "write QUANTITY=COLUMN"),
        ("power_w=x:hp", "its unit may be mW, W, kW, MW"),
    ],
)
def test_column_arguments_are_checked(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        parse_source(text)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old, new = tmp_path / "alt.csv", tmp_path / "neu.csv.gz"
    old.write_bytes(
        "Datum;Uhrzeit;Leistung;Zähler\n31.12.2025;23:59:59;1,250;7,1\n1.1.2026;00:00:00;oben;7,1\n".encode("cp1252")
    )
    options = "--time Datum --time Uhrzeit --column power_w=Leistung:kW --column energy_wh=Zähler:kWh --decimal ,"
    command = ["import", str(old), str(new), *options.split(), "--zone", "Europe/Oslo", "--meter", "m1"]
    assert main(command) == 2
    assert "not utf-8 text; try --encoding cp1252" in capsys.readouterr().err
    assert main([*command, "--encoding", "cp1252"]) == 0
    out, err = capsys.readouterr()
    assert err == "line 3: power_w 'oben' is not a number: left out\n"
    assert "1 rows from 2025-12-31T22:59:59Z to 2025-12-31T22:59:59Z, dates read as dmy" in out
    log = read_log(new)
    assert list(log.series.readings()) == [Reading(utc_ms("2025-12-31T22:59:59Z"), 1250.0, energy_wh=7100.0)]
    assert main([*command, "--encoding", "cp1252"]) == 2
    assert "exists already" in capsys.readouterr().err
    assert sorted(tmp_path.iterdir()) == sorted([old, new])


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["none.csv", "new.csv"], "none.csv: cannot read this log: no such file"),
        (["old.csv", "new.csv", "--time", "when"], "has no column 'when'"),
        (["old.csv", "new.csv", "--zone", "Quay/Street"], "no such time zone"),
        (["old.csv", "new.csv", "--column", "power_w=2:hp"], "its unit may be"),
        (["old.csv", "new.csv", "--encoding", "klingon"], "no such encoding"),
        (["old.csv", "nowhere/new.csv"], "cannot write this log"),
        (["old.csv", "new.csv"], "old.csv: no row could be used; line 2: the time '2026-03-01 08:00' has no offset"),
    ],
)
def test_bad_input_is_one_line(
    arguments: list[str],
    message: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("old.csv").write_text("time,power_w\n2026-03-01 08:00,7\n")
    assert main(["import", *arguments]) == 2
    out, err = capsys.readouterr()
    assert message in err and err.count("\n") == 1 and not out
    assert not Path("new.csv").exists() and not list(tmp_path.glob("*.part"))
