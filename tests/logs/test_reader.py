"""Logs as the contract's section 1 has them, and as the field damages them."""

from __future__ import annotations

import gzip
import os
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.errors import InputError
from loadbook.logs import Log, read_log, write_log
from loadbook.reading import QUANTITIES, Reading, series_of

Write = Callable[[str | bytes], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def save(content: str | bytes) -> Path:
        path = tmp_path / "log.csv"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return save


@pytest.fixture(scope="module")
def one_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("logs")


PLAIN = "time,power_w\n2026-03-01T08:00:00Z,1.5\n2026-03-01T08:00:01Z,2100\n2026-03-01T08:00:02Z,\n"
T0 = int(datetime(2026, 3, 1, 8, tzinfo=UTC).timestamp() * 1000)


def powers(log: Log) -> list[tuple[int, float]]:
    return list(zip((log.series.at_ms - T0).tolist(), log.series.power_w.tolist(), strict=True))


def test_an_empty_power_counts_as_a_row_and_is_no_reading(write: Write) -> None:
    log = read_log(write(PLAIN))
    assert powers(log) == [(0, 1.5), (1000, 2100.0)]
    assert (log.report.rows, log.report.skipped, log.report.repeated) == (3, 0, 0)
    assert (log.report.first_ms, log.report.last_ms) == (T0, T0 + 2000)


@pytest.mark.parametrize(
    "form",
    [
        pytest.param(lambda text: text.replace("\n", "\r\n").encode(), id="CRLF, as RFC 4180 has it"),
        pytest.param(lambda text: b"\xef\xbb\xbf" + text.encode(), id="byte-order mark"),
        pytest.param(lambda text: gzip.compress(text.encode()), id="gzip, whatever the name"),
        pytest.param(lambda text: text.rstrip("\n").encode(), id="no last newline"),
        pytest.param(lambda text: text.replace("\n", "\n\n").encode(), id="empty lines between"),
        pytest.param(
            lambda text: "".join('"' + r.replace(",", '","') + '"\n' for r in text.splitlines()).encode(), id="quoted"
        ),
        pytest.param(lambda text: text.replace("Z,", "+00:00 , ").encode(), id="spaces and another offset"),
    ],
)
def test_the_same_log_in_another_dress(write: Write, form: Callable[[str], bytes]) -> None:
    plain, dressed = read_log(write(PLAIN)), read_log(write(form(PLAIN)))
    assert powers(dressed) == powers(plain)
    assert dressed.report == plain.report


def test_columns_in_any_order_and_unknown_ones_ignored(write: Write) -> None:
    log = read_log(
        write('note,voltage_v,time,power_w\n"a, b\nc",229.5,2026-03-01T08:00:00.25Z,7\n,,2026-03-01T08:00:01Z,8\n')
    )
    assert powers(log) == [(250, 7.0), (1000, 8.0)]
    assert log.series.voltage_v is not None and log.series.voltage_v[0] == 229.5 and np.isnan(log.series.voltage_v[1])
    assert log.series.current_a is None


def test_rows_that_cannot_be_used_are_counted_and_the_first_few_named(write: Write) -> None:
    bad = ["2026-03-01T08:00:05,4", "yesterday,4", "2026-03-01T08:00:06Z,lots", "2026-03-01T08:00:07Z", "\0\0\0\0",
           "2026-03-01T08:00:08Z,nan", "2026-03-01T08:00:09Z,1_0", "2026-02-30T08:00:00Z,4"]  # fmt: skip
    log = read_log(write(PLAIN + "\n".join(bad) + "\n2026-03-01T08:00:10Z,9\n"))
    assert powers(log)[-1] == (10_000, 9.0)
    assert (log.report.rows, log.report.skipped) == (4, 8)
    notes = log.report.notes()
    assert len(notes) == 6
    assert notes[0] == "line 5: the time '2026-03-01T08:00:05' has no offset from UTC (add Z or +01:00): left out"
    assert notes[2] == "line 7: power_w 'lots' is not a number: left out"
    assert notes[3] == "line 8: 1 cells where the header row has 2: left out"
    assert notes[-1] == "3 more rows left out"


def test_a_stray_quote_costs_its_line_only(write: Write) -> None:
    rows = [f"2026-03-01T08:{i // 60:02d}:{i % 60:02d}Z,{i}" for i in range(200)]
    rows[3] = '2026-03-01T08:00:03Z,"3'
    log = read_log(write("time,power_w\n" + "\n".join(rows) + "\n"))
    assert (log.report.rows, log.report.skipped) == (199, 1)


def test_repeated_and_out_of_order(write: Write) -> None:
    log = read_log(write(
        "time,power_w\n2026-03-01T08:00:02Z,1\n2026-03-01T08:00:01Z,2\n2026-03-01T09:00:02+01:00,3\n2026-03-01T08:00:03Z,4\n"
    ))  # fmt: skip
    assert powers(log) == [(1000, 2.0), (2000, 3.0), (3000, 4.0)]
    assert (log.report.rows, log.report.repeated) == (4, 1)


def test_gaps_are_more_than_ten_seconds_without_a_reading(write: Write) -> None:
    log = read_log(write(
        "time,power_w\n2026-03-01T08:00:00Z,1\n2026-03-01T08:00:10Z,1\n2026-03-01T08:00:15Z,\n2026-03-01T08:00:21Z,1\n"
    ))  # fmt: skip
    assert log.report.gaps == [(T0 + 10_000, T0 + 21_000)]


def test_several_meters_need_a_choice(write: Write) -> None:
    path = write(
        "meter,time,power_w\na,2026-03-01T08:00:00Z,1\nb,2026-03-01T08:00:00Z,2\na,2026-03-01T08:00:01Z,3\nb,x,y\n"
    )
    with pytest.raises(InputError, match=r"several meters \(a, b\); choose one with --meter"):
        read_log(path)
    log = read_log(path, "a")
    assert powers(log) == [(0, 1.0), (1000, 3.0)]
    assert (log.report.rows, log.report.skipped, log.series.meter) == (2, 0, "a")
    with pytest.raises(InputError, match="no meter 'c'; it has a, b"):
        read_log(path, "c")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "the log is empty"),
        ("time,power_w\n", "no usable row"),
        ("time,power_w\n2026-03-01T08:00:00Z,\n", "no reading: power_w is empty in every row"),
        ("time,power_w\n2026-03-01 08:00,1\n", "no usable row; line 2: the time"),
        ("zeit;leistung\n", "no column 'time' and no 'power_w'.*loadbook import"),
        ("time,power_w,power_w\n", "'power_w' twice"),
        ("time,voltage_v\n2026-03-01T08:00:00Z,1\n", "no column 'power_w'"),
        (PLAIN.encode("utf-16"), "UTF-16"),
        (gzip.compress(PLAIN.encode() * 500)[:-12], "gzip data is damaged"),
        (b"\x1f\x8bnonsense", "gzip data is damaged"),
        (bytes(range(256)) * 40, "header row|no column"),
    ],
)
def test_refusals_are_one_line(write: Write, content: str | bytes, message: str) -> None:
    with pytest.raises(InputError, match=message) as refused:
        read_log(write(content))
    assert "\n" not in str(refused.value) and "log.csv" in str(refused.value)


@pytest.mark.parametrize("zipped", [False, True])
def test_a_log_may_come_through_a_pipe(tmp_path: Path, zipped: bool) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    content = gzip.compress(PLAIN.encode()) if zipped else PLAIN.encode()
    writer = threading.Thread(target=pipe.write_bytes, args=(content,))
    writer.start()
    log = read_log(pipe)
    writer.join()
    assert powers(log) == [(0, 1.5), (1000, 2100.0)]


def test_a_missing_log_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_log(tmp_path / "none.csv")
    with pytest.raises(InputError, match="is a directory"):
        read_log(tmp_path)


moments = st.datetimes(datetime(1969, 12, 31), datetime(2400, 1, 2), timezones=st.sampled_from([
    UTC, timezone(timedelta(hours=5, minutes=45)), timezone(-timedelta(hours=9, minutes=30)),
]))  # fmt: skip
usual_times = st.builds(
    lambda t, spec: t.isoformat(timespec=spec), moments, st.sampled_from(["auto", "seconds", "milliseconds"])
)
times = st.one_of(
    usual_times,
    usual_times.map(lambda text: text.replace("+00:00", "Z")),
    st.from_regex(
        r"20[0-9]{2}-[01][0-9]-[0-3][0-9][T ][0-2][0-9]:[0-6][0-9]:[0-6][0-9]"
        r"(\.[0-9]{1,9})?(Z|z|[+-][0-2][0-9]:?[0-6][0-9]|)",
        fullmatch=True,
    ),
)  # fmt: skip
values = st.one_of(
    st.floats(-3000, 3000).map(lambda x: f"{x:.3f}"),
    st.from_regex(r"[+-]?[0-9]{0,20}\.?[0-9]{0,20}(e-?[0-9]{1,2})?", fullmatch=True),
    st.sampled_from(
        ["", " ", "nan", "inf", "1,5", "--1", "-", ".", "1_0", "٣", "0x10", "1e400", '"2"', '"', "\r", "-0"]
    ),
)
rows = st.builds(lambda t, p, v, m: f"{p},{t},{m},{v}", times, values, values, st.sampled_from(["", "a", " a", '"a"']))


@settings(max_examples=200, deadline=None)
@given(
    body=st.lists(st.one_of(rows, rows, rows, st.text('0,:T-Z"\r\n \0é', max_size=12)), max_size=30),
    end=st.sampled_from(["\n", "\r\n"]),
    block_size=st.integers(1, 400),
)
def test_fast_and_careful_agree_however_the_file_is_cut(
    one_folder: Path, body: list[str], end: str, block_size: int
) -> None:
    path = one_folder / "log.csv"
    path.write_bytes(("power_w,time,meter,voltage_v" + end + "".join(row + end for row in body)).encode())

    def read(**how: object) -> object:
        try:
            log = read_log(path, **how)  # type: ignore[arg-type]
        except InputError as bad:
            return str(bad)
        columns = [None if (c := log.series.column(q.name)) is None else c.tobytes() for q in QUANTITIES]
        return log.report, log.series.at_ms.tolist(), columns, log.series.meter

    careful = read(careful=True)
    assert read() == careful
    assert read(block_size=block_size) == careful
    assert read(block_size=block_size, careful=True) == careful


readings = st.lists(
    st.builds(
        Reading,
        at_ms=st.integers(0, 4_000_000_000_000),
        power_w=st.decimals(-5000, 5000, places=2).map(float),
        voltage_v=st.none() | st.decimals(0, 400, places=2).map(float),
        energy_wh=st.none() | st.decimals(0, 10**9, places=1).map(float),
    ),
    min_size=1,
    max_size=20,
    unique_by=lambda r: r.at_ms,
).map(lambda many: sorted(many, key=lambda r: r.at_ms))


@settings(max_examples=100, deadline=None)
@given(many=readings, name=st.sampled_from(["log.csv", "log.csv.gz"]))
def test_what_is_written_is_read_back(tmp_path_factory: pytest.TempPathFactory, many: list[Reading], name: str) -> None:
    path = tmp_path_factory.mktemp("logs") / name
    write_log(path, series_of(many, meter="m1"))
    log = read_log(path)
    assert list(log.series.readings()) == many
    assert log.series.meter == "m1"
    assert log.report.skipped == log.report.repeated == 0
