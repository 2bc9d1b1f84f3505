"""``loadbook meter``: a meter tried as a person would, and looked for."""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from loadbook.cli import main
from loadbook.clock import Clock
from loadbook.files import load_map, share
from loadbook.meters.pseudoline import PseudoLine
from loadbook.meters.sense import RANGES, convinces, doubts
from loadbook.meters.simulated import SimulatedLine, SimulatedMeter

from tests.meters.conftest import player
from tests.meters.telegrams.examples import P1_V5


def own_map(tmp_path: Path, name: str, *changes: tuple[str, str]) -> str:
    text = share("config", "meters", f"{name}.toml").read_text()
    for change in changes:
        assert change[0] in text
        text = text.replace(*change)
    path = tmp_path / "own.toml"
    path.write_text(text)
    return str(path)


@contextmanager
def simulated(tmp_path: Path | None, *meters: tuple[int, str]) -> Iterator[SimulatedLine]:
    clock = Clock()
    every = [SimulatedMeter(unit, load_map(name, Path()), player(clock)) for unit, name in meters]
    line = SimulatedLine(every, clock, link=tmp_path / "port" if tmp_path else None).start()
    try:
        yield line
    finally:
        line.stop()


def run(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str, str]:
    status = main(["meter", *args])
    out, err = capsys.readouterr()
    return status, out, err


@pytest.mark.parametrize("name", ["float32-big-endian", "scaled16-low-word-energy", "sunspec"])
def test_a_meter_that_makes_sense(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with simulated(tmp_path, (7, name)) as line:
        status, out, _ = run(capsys, "try", "--port", line.port, "--map", name, "--unit", "7")
    assert status == 0
    assert out.endswith("makes sense\n")
    assert re.search(r"voltage +230.00 V", out)
    assert "exchange: " in out
    if name == "sunspec":
        assert "model 201 at register 40070" in out


@pytest.mark.parametrize(
    ("name", "right", "wrong"),
    [
        ("float32-big-endian", "high_first", "low_first"),
        ("float32-big-endian", "high_first", "low_first_swapped"),
        ("scaled16-low-word-energy", "low_first", "high_first"),
    ],
)
def test_another_word_order_is_found(
    name: str, right: str, wrong: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mistaken = own_map(tmp_path, name, (f'word_order = "{right}"', f'word_order = "{wrong}"'))
    with simulated(tmp_path, (1, name)) as line:
        status, out, _ = run(capsys, "try", "--port", line.port, "--map", mistaken)
    assert status == 1
    assert f'makes sense with word_order = "{right}":' in out
    assert "230.00 V" in out[out.index("makes sense") :]


def test_a_refusal_is_told_which_function_code_answers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mistaken = own_map(tmp_path, "float32-big-endian", ("function = 4", "function = 3"))
    with simulated(tmp_path, (1, "float32-big-endian")) as line:
        _, err = refused(capsys, "try", "--port", line.port, "--map", mistaken)
    assert 'illegal data address; but word_order = "high_first", function = 4 makes sense' in err


def refused(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[str, str]:
    """Exit status 2 and one line."""
    status, out, err = run(capsys, *args)
    assert status == 2
    assert out == ""
    assert err.count("\n") == 1
    return out, err


def test_a_map_one_register_off_is_noticed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = share("config", "meters", "float32-big-endian.toml").read_text()
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(re.sub(r"address = (\d+)", lambda found: f"address = {int(found[1]) + 1}", text))
    meter_map = tmp_path / "meter.toml"
    meter_map.write_text(text.replace("count = 16", "count = 18"))
    with simulated(tmp_path, (1, str(meter_map))) as line:
        status, out, _ = run(capsys, "try", "--port", line.port, "--map", str(wrong))
    assert status == 1
    assert "addresses one lower" in out


def test_one_of_the_settings_and_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with simulated(None, (3, "float32-big-endian")) as line:
        config = tmp_path / "loadbook.toml"
        config.write_text(
            f'[[line]]\nid = "net"\nkind = "modbus_tcp"\nhost = "{line.address[0]}"\ntcp_port = {line.address[1]}\n'
            '[[line.meter]]\nid = "one"\nmap = "float32-big-endian"\nunit_id = 3\n'
        )
        status, out, _ = run(capsys, "try", "--config", str(config), "--json")
        assert status == 0
        assert json.loads(out)["values"]["voltage_v"] == 230.0
        _, err = refused(capsys, "try", "--config", str(config), "--meter", "two")
        assert "has no meter 'two'; it has one" in err


def test_a_telegram_is_waited_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = PseudoLine(tmp_path / "port")
    stop = threading.Event()

    def speak() -> None:
        while not stop.is_set():
            line.say(P1_V5)
            time.sleep(0.1)

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        status, out, _ = run(capsys, "try", "--port", str(line.link), "--map", "p1-telegram", "--parity", "N")
    finally:
        stop.set()
        thread.join()
        line.close()
    assert re.search(r"power +244.00 W", out)
    assert status == 1  # the published telegram is of three phases: 244 W is more than the first one's 230 V x 0.48 A


@pytest.mark.parametrize("wire", ["rtu", "tcp"])
def test_unit_ids_are_found_with_the_map_that_fits(
    wire: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    meters = ((3, "float32-big-endian"), (5, "sunspec"))
    with simulated(tmp_path if wire == "rtu" else None, *meters) as line:
        where = ("--port", line.port) if wire == "rtu" else ("--host", f"{line.address[0]}:{line.address[1]}")
        status, out, _ = run(capsys, "scan", *where, "--first", "3", "--last", "5", "--json")
    units = {u["unit_id"]: u for u in json.loads(out)["units"]}
    assert status == 0
    assert units[3]["maps"] == ["float32-big-endian"]
    assert units[5]["maps"] == ["sunspec"]
    if wire == "rtu":
        assert set(units) == {3, 5}


def test_every_speed_is_tried_until_somebody_answers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A pseudo-terminal has no speed: the first answers; without anybody all are asked."""
    with simulated(tmp_path, (2, "float32-big-endian")) as line:
        args = ("scan", "--port", line.port, "--every-speed", "--last", "2", "--timeout", "0.05")
        status, out, err = run(capsys, *args)
        assert status == 0
        assert "unit 2: answers" in out
        assert err.count("asking unit ids") == 1
        status, _, err = run(capsys, *args, "--last", "1")
        assert status == 1
        assert err.count("asking unit ids") == 14
    _, err = refused(capsys, "scan", "--host", "127.0.0.1", "--every-speed")
    assert "Modbus TCP has no speed" in err


def test_nobody_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with simulated(tmp_path, (1, "float32-big-endian")) as line:
        status, out, _ = run(capsys, "scan", "--port", line.port, "--first", "50", "--last", "52")
        assert status == 1
        assert "nobody answers" in out
        _, err = refused(capsys, "try", "--port", line.port, "--map", "float32-big-endian", "--unit", "9")
        assert "unit 9 on" in err
        assert "no answer in 0.3 s; check A and B" in err


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["try", "--port", "/dev/not-there", "--map", "sunspec"], "/dev/not-there does not exist"),
        (["try", "--port", "/dev/null"], "give --map"),
        (["try", "--map", "sunspec"], "give --port for a serial line or --host"),
        (["try", "--port", "/dev/null", "--map", "none"], "no such meter map"),
        (["try", "--port", "/dev/null", "--map", "sunspec", "--unit", "300"], "unit_id"),
        (["scan", "--port", "/dev/null", "--last", "300"], "unit ids run from 1 to 247"),
        (["scan", "--host", "127.0.0.1:99999"], "tcp_port"),
        (["try", "--config", "/nowhere.toml"], "cannot read this settings file"),
    ],
)
def test_what_cannot_be_tried_says_why(args: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    _, err = refused(capsys, *args)
    assert says in err


def test_sense() -> None:
    good = {"voltage_v": 229.4, "current_a": 8.96, "power_factor": 0.98, "power_w": 2014.0, "frequency_hz": 50.0}
    assert not doubts(good)
    assert convinces(good)
    assert not convinces({"power_w": 5.0})
    assert doubts(good | {"voltage_v": 0.0})
    assert doubts(good | {"power_w": 1014.0})[0].quantity == "power_w"
    assert "turn the sensor round" in doubts(good | {"power_w": -2014.0})[0].because
    assert doubts({"voltage_v": 230.0, "current_a": 1.0, "power_w": 500.0})


@given(st.dictionaries(st.sampled_from(sorted(RANGES)), st.floats(allow_nan=False, allow_infinity=False)))
def test_sense_takes_any_values(values: dict[str, float]) -> None:
    assert convinces(values) in {True, False}


@pytest.mark.parametrize(
    ("map_name", "baud_bd", "says"),
    [
        ("p1-telegram", 9600, "map 'p1-telegram' is no Modbus map"),
        ("sunspec", 1200, "149% of the interval of 1 s"),
        ("sunspec", 9600, ""),
    ],
)
def test_checking_settings_checks_maps_and_the_lines_time(
    map_name: str, baud_bd: int, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The port need not be there: settings are checked at a desk, too."""
    config = tmp_path / "mine.toml"
    config.write_text(
        f'[[line]]\nid = "l"\nkind = "modbus_rtu"\nport = "/dev/not-there"\nbaud_bd = {baud_bd}\n'
        f'[[line.meter]]\nid = "m"\nmap = "{map_name}"\n'
    )
    assert main(["settings", "--check", str(config)]) == (2 if says else 0)
    assert says in capsys.readouterr().err
