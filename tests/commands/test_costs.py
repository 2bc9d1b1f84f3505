"""The commands about costs, over a log that comes along and over a site's own record."""

from __future__ import annotations

import csv
import io
import json
from contextlib import closing
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from loadbook.cli import main
from loadbook.cost.energy_curve import EnergyCurve
from loadbook.costing import series_of_minutes
from loadbook.events import Cycle, CycleChanged
from loadbook.machine import parse_machine
from loadbook.reading import Reading
from loadbook.store.ledger import Ledger
from loadbook.store.readings import Minutes
from loadbook.store.sqlite_readings import SqliteStore

LOG = ["washer-healthy", "--machine", "quay-washer-1"]
PLATE = '[machine]\nid = "quay-washer-1"\nname = "Washer 1"\nkind = "washing_machine"\nplace = "quay side"\n'


def run(capsys: pytest.CaptureFixture[str], *args: str) -> str:
    assert main(list(args)) == 0
    return capsys.readouterr().out


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site with one washer: two loads in October (one over its end), one in November, an hour of readings."""
    (tmp_path / "washer.toml").write_text(PLATE)
    config = tmp_path / "loadbook.toml"
    config.write_text(
        'machines = ["washer.toml"]\ntariff = "quay-flat"\n[site]\ntitle = "Quay Street"\ntime_zone = "Europe/Lisbon"\n'
        '[store]\nfolder = "data"\n[[line]]\nid = "l1"\nkind = "modbus_tcp"\nhost = "127.0.0.1"\n'
        '[[line.meter]]\nid = "m1"\nmap = "sunspec"\nmachine = "quay-washer-1"\n'
    )
    ledger = Ledger.open(tmp_path / "data")
    with ledger.transaction():
        ledger.put_machine(parse_machine(PLATE, "washer.toml"), "m1", PLATE)
        for start, outcome, cost in (
            ("2026-10-05T09:00:00+01:00", "completed", "0.205"),
            ("2026-10-31T23:30:00+00:00", "stopped_early", "0.10"),
            ("2026-11-02T09:00:00+00:00", "completed", "0.30"),
        ):
            at = ms(start)
            cycle = Cycle(at, at, at + 3_600_000, "mixed-40", outcome, 0.5, cost=cost, currency="EUR")  # type: ignore[arg-type]
            ledger.apply("quay-washer-1", CycleChanged(at, cycle))
    ledger.close()
    store = SqliteStore(tmp_path / "data" / "readings.sqlite")
    first = ms("2026-10-05T09:00:00+01:00")
    store.append([("m1", Reading(first + i * 1000, power_w=600.0, energy_wh=1000 + i / 6)) for i in range(3601)])
    store.close()
    return config


def test_cost_of_a_logs_cycles(capsys):
    told = json.loads(run(capsys, "cost", *LOG, "--tariff", "quay-two-rates", "--json"))
    (cycle,) = told["cycles"]
    assert cycle["programme"] == "mixed-40"
    assert sum(b["cost"] for b in cycle["bands"]) == pytest.approx(cycle["cost"])
    assert sum(p["cost"] for p in cycle["phases"] if p["cost"] is not None) == pytest.approx(cycle["cost"], rel=1e-6)
    text = run(capsys, "cost", *LOG, "--tariff", "quay-two-rates")
    assert "main-heat" in text
    assert "The meter's counter says" in text


def test_programmes_of_a_log(capsys):
    (machine,) = json.loads(run(capsys, "programmes", *LOG, "--tariff", "quay-flat", "--json"))["machines"]
    (row,) = machine["programmes"]
    assert (row["programme"], row["count"]) == ("mixed-40", 1)


def test_when_to_start(capsys):
    window = ["--tariff", "quay-half-hours", "--from", "2026-11-10T17:00", "--hours", "24"]
    told = json.loads(run(capsys, "when", *LOG, *window, "--json"))
    costs = [s["cost"] for s in told["starts"]]
    assert told["cheapest"]["cost"] == min(costs)
    assert told["saving"] == pytest.approx(told["now"]["cost"] - min(costs))
    assert "cheapest" in run(capsys, "when", *LOG, *window)


def test_a_load_belongs_to_the_month_it_began_in(capsys, site):
    text = run(capsys, "statement", "--config", str(site), "--month", "2026-10")
    assert "Quay Street, October 2026" in text
    row = next(line for line in text.splitlines() if "all loads" in line).split()
    assert row == ["all", "loads", "2", "1.00", "0.31", "EUR", "0.15", "EUR"]  # 0.305 and 0.1525, half up once
    assert "1 of the loads stopped early." in text
    assert "Metered in all: 0.60 kWh" in text
    assert "The meter's own counter: 0.60 kWh" in text


def test_a_counter_that_was_reset_in_the_month_is_not_set_beside(capsys, site):
    """A meter that was changed counts from nought; by the end it may stand higher than the old one did at the start."""
    with closing(SqliteStore(site.parent / "data" / "readings.sqlite")) as store:
        first = ms("2026-10-06T09:00:00+01:00")
        store.append([("m1", Reading(first + i * 1000, power_w=600.0, energy_wh=i)) for i in range(3601)])
    text = run(capsys, "statement", "--config", str(site), "--month", "2026-10")
    assert "Metered in all: 1.20 kWh" in text
    assert "own counter" not in text


def test_a_statement_as_csv_has_a_row_a_load(capsys, site, tmp_path):
    run(capsys, "statement", "--config", str(site), "--month", "2026-10", "--csv", str(tmp_path / "oct.csv"))
    rows = list(csv.DictReader(io.StringIO((tmp_path / "oct.csv").read_text())))
    assert [(r["machine"], r["outcome"], r["cost"], r["currency"]) for r in rows] == [
        ("quay-washer-1", "completed", "0.205", "EUR"),
        ("quay-washer-1", "stopped_early", "0.1", "EUR"),
    ]


@pytest.mark.pdf
def test_a_statement_as_pdf(capsys, site, tmp_path):
    pypdf = pytest.importorskip("pypdf")
    run(capsys, "statement", "--config", str(site), "--month", "2026-10", "--pdf", str(tmp_path / "oct.pdf"))
    (page,) = pypdf.PdfReader(tmp_path / "oct.pdf").pages
    text = page.extract_text()
    for words in ("Statement", "Washer 1, quay side", "0.31 EUR", "page 1 of 1"):
        assert words in text


@pytest.mark.parametrize(
    ("args", "named"),
    [
        (["cost"], "takes a LOG"),
        (["cost", *LOG], "--tariff"),
        (["when", *LOG, "--tariff", "quay-flat", "--from", "soon"], "'soon'"),
        (["when", *LOG, "--tariff", "quay-flat", "--every", "0"], "--every"),
        (["statement"], "--config"),
        (["statement", *LOG, "--month", "2026-13"], "2026-13"),
        (["statement", *LOG, "--csv", "/nowhere/x.csv"], "/nowhere/x.csv"),
        (["programmes", "nothing.csv"], "nothing.csv"),
    ],
)
def test_what_cannot_be_used_is_said_in_one_line(capsys, args, named):
    assert main(args) == 2
    said = capsys.readouterr().err
    assert named in said
    assert said.count("\n") == 1


@given(st.lists(st.tuples(st.integers(1, 5), st.integers(0, 3000)), min_size=1, max_size=60))
def test_energy_by_the_minute_is_neither_lost_nor_spread_over_gaps(minutes):
    at = np.cumsum([60_000 * step for step, _ in minutes]).astype(np.int64)
    wh = np.array([w / 60 for _, w in minutes])
    curve = EnergyCurve(series_of_minutes(Minutes(at, wh, np.full(len(wh), np.nan))))
    spans = np.column_stack((at, at + 60_000)).ravel()
    flowed = np.diff(curve.at(spans).astype(object))
    assert all(abs(f - Fraction(w) * 3_600_000_000) <= 2 for f, w in zip(flowed[::2], wh.tolist(), strict=True))
    assert not any(flowed[1::2])
