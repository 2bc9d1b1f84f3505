"""`loadbook assess`: the contract's section 4, its keys, its exit status, its one line when the input is no use."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from loadbook.assessment import DECIMALS, Found, assess
from loadbook.assessment_text import as_text, lasted
from loadbook.cli import main
from loadbook.events import Alert, AlertChanged, Cause, Cycle, CycleChanged, Phase
from loadbook.files import load_machine
from loadbook.judge.causes import CauseTable
from loadbook.judge.limits import Limits
from loadbook.logs import read_log

T0 = datetime(2026, 3, 1, 8, tzinfo=UTC)
MACHINE = """
[machine]
id = "quay-washer-1"
name = "Washer 1"
kind = "washing_machine"
standby_w = 1.0
[[component]]
id = "heater"
nature = "resistive"
rated_w = 2000.0
[[programme]]
id = "short"
name = "Short"
[[programme.phase]]
id = "warm"
stage = "heat"
on = ["heater"]
min_s = 60.0
max_s = 300.0
"""
FLAT = '[tariff]\nid = "flat"\nname = "Flat"\ncurrency = "EUR"\ntime_zone = "UTC"\n'


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("machine.toml").write_text(MACHINE)
    return tmp_path


def save(power: Callable[[int], str], seconds: int, name: str = "log.csv") -> Path:
    rows = [f"{(T0 + timedelta(seconds=i)).isoformat()},{power(i)}\n" for i in range(seconds)]
    path = Path(name)
    path.write_text("time,power_w\n" + "".join(rows))
    return path


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, Any, str]:
    status = main(["assess", *arguments, "--json"])
    out, err = capsys.readouterr()
    return status, json.loads(out) if out else None, err


def test_an_idle_log_passes(capsys: pytest.CaptureFixture[str]) -> None:
    save(lambda i: "1.0" if i % 100 else "", 600)
    status, found, err = run(capsys, "log.csv", "--machine", "machine.toml")
    assert (status, err) == (0, "")
    assert found == {
        "log": {
            "rows": 600, "skipped": 0, "repeated": 0, "gaps": [], "first": "2026-03-01T08:00:00Z",
            "last": "2026-03-01T08:09:59Z", "energy_kwh": 0.000166,
        },
        "cycles": [], "alerts": [], "verdict": "pass",
    }  # fmt: skip


def test_a_log_that_ends_in_rows_without_power_is_silent_at_its_end(capsys: pytest.CaptureFixture[str]) -> None:
    save(lambda i: "1.0" if i < 100 else "", 200)
    status, found, _ = run(capsys, "log.csv")
    assert status == 1 and found["verdict"] == "attention"
    assert found["log"]["gaps"] == [{"start": "2026-03-01T08:01:39Z", "end": "2026-03-01T08:03:19Z"}]
    (alert,) = found["alerts"]
    assert alert["kind"] == "meter_silent" and alert["cycle"] is None and alert["cleared_at"] is None
    assert alert["raised_at"] == "2026-03-01T08:02:39Z"
    assert set(alert) == {"kind", "cycle", "phase", "component", "began_at", "raised_at", "cleared_at", "measured",
                          "low", "high", "unit", "causes"}  # fmt: skip


def test_rows_left_out_are_named_and_do_not_change_the_status(capsys: pytest.CaptureFixture[str]) -> None:
    save(lambda i: "1.0" if i != 5 else "oops", 60)
    status, found, err = run(capsys, "log.csv")
    assert status == 0 and found["log"]["skipped"] == 1
    assert err == "log.csv: line 7: power_w 'oops' is not a number: left out\n"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["none.csv"], "none.csv: cannot read this log: no such file"),
        (["log.csv", "--machine", "none.toml"], "none.toml: cannot read this machine file: no such file"),
        (["log.csv", "--machine", "log.csv"], "log.csv: not valid TOML"),
        (["log.csv", "--machine", "bad.toml"], "bad.toml: component[1].rated_kw: no such key"),
        (["log.csv", "--meter", "m1"], "log.csv: has no meter 'm1'"),
        (["log.csv", "--tariff", "none"], "none: cannot read this tariff file"),
        (["log.csv", "--config", "none.toml"], "none.toml: cannot read this settings file"),
        (["machine.toml"], "machine.toml: the header row has no column 'time' and no 'power_w'"),
    ],
)
def test_bad_input_is_one_line_and_exit_2(
    arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    save(lambda i: "1.0", 10)
    Path("bad.toml").write_text(MACHINE.replace("rated_w = 2000.0", "rated_w = 2000.0\nrated_kw = 2.0"))
    status, found, err = run(capsys, *arguments)
    assert status == 2 and found is None
    assert message in err and err.count("\n") == 1 and err.startswith("loadbook: ")


def _cycle(key: int, **more: Any) -> Cycle:
    return Cycle(key_ms=key, start_ms=key, end_ms=key + 60_000, **more)


def test_events_are_collected_as_last_known() -> None:
    found = Found()
    late, early = _cycle(2_000_000), _cycle(1_000_000)
    alert = Alert("phase_too_long", began_ms=1, raised_ms=2, cycle_key_ms=2_000_000)
    gone = Alert("phase_missing", began_ms=1, raised_ms=3)
    found.apply([CycleChanged(0, late), CycleChanged(0, early), CycleChanged(0, _cycle(3)), AlertChanged(0, alert)])
    found.apply(
        [CycleChanged(1, _cycle(3), dropped=True), AlertChanged(1, gone), AlertChanged(2, gone, withdrawn=True)]
    )
    assert found.cycles == [early, late] and found.alerts == [alert]


def test_the_text_says_what_the_json_says() -> None:
    """The words and figures that a person needs are there: phases with their windows, what was measured, causes."""
    path = save(lambda i: "1.0", 60)
    result = assess(read_log(path), None, Limits(), CauseTable())
    start = int(T0.timestamp() * 1000)
    phases = [
        Phase("warm", "heat", start, start + 350_000, 1234.5, 0.117, ["heater"], "too_long"),
        Phase(None, "drain", None, None, verdict="missing"),
    ]
    result.cycles = [
        Cycle(start, start, start + 3_700_000, "short", "completed", 1.151, 2001.0, 1.0, phases, "attention")
    ]
    result.cycles[0].cost, result.cycles[0].currency = "0.41436", "EUR"
    result.alerts = [
        Alert("power_low", start, start + 30_000, None, start, "warm", "heater", 912.3, 1539.0, 1796.0, "W",
              [Cause("One element open", "Half the watts", "Measure cold", "Unplug first")]),
        Alert("phase_too_long", start, start + 300_000, start + 350_000, start, "warm", None, 350.0, None, 300.0, "s"),
    ]  # fmt: skip
    text = as_text(result, load_machine(Path("machine.toml")), "Europe/Oslo")
    for words in (
        "Log from 2026-03-01 09:00:00 to 2026-03-01 09:00:59 (CET), 60 rows",
        "Cycle 1: Short, completed",
        "2026-03-01 09:00:00 to 10:01:40 (1:01:40), 1.151 kWh, 0.41 EUR, peak 2,001 W",
        "1:00 to 5:00",
        "TOO LONG",
        "did not come",
        "Alert: power low (cycle 1, phase warm, heater)",
        "began 2026-03-01 09:00:00, raised 09:00:30, not over in this log",
        "measured 912 W, allowed 1,539 to 1,796 W",
        "measured 5:50, allowed at most 5:00",
        "One element open: Half the watts",
        "Check: Measure cold",
        "Caution: Unplug first",
        "Verdict: attention. 2 alerts.",
    ):
        assert words in text, words


def test_numbers_have_no_binary_tails() -> None:
    path = save(lambda i: "0.1", 60)
    result = assess(read_log(path), None, Limits(), CauseTable())
    result.cycles = [_cycle(1, energy_kwh=0.1 + 0.2, cost="0.414360000000", currency="EUR")]
    found = result.as_contract()
    assert found["cycles"][0]["energy_kwh"] == 0.3 and found["cycles"][0]["cost"] == 0.41436
    assert set(DECIMALS) >= {"energy_kwh", "cost", "power_w"}


def test_durations() -> None:
    assert [lasted(ms) for ms in (0, 59_999, 60_000, 3_600_000, 9_000_000)] == [
        "0:00",
        "0:59",
        "1:00",
        "1:00:00",
        "2:30:00",
    ]
