"""The stage of demo and replay: old cycles woven into one history, a settings file as a user would write it, meters
that answer over real Modbus."""

from __future__ import annotations

import socket
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.clock import Clock
from loadbook.energy import steps_wh
from loadbook.errors import StartError
from loadbook.files import find_log, find_machine, load_machines, load_settings
from loadbook.logs import read_log
from loadbook.reading import HOLD_MS, Series
from loadbook.services.stage import Play, SimulatedMeters, counting_on, free_port, woven, write_settings


def log(powers: list[float], counter: bool) -> Series:
    at_ms = 1_000_000 + 1000 * np.arange(len(powers), dtype=np.int64)
    power_w = np.array(powers)
    energy_wh = 50.0 + np.cumsum(power_w) / 3600 if counter else None
    return Series(at_ms=at_ms, power_w=power_w, energy_wh=energy_wh)


powers = st.lists(st.floats(0, 3000), min_size=2, max_size=30)


@settings(max_examples=100, deadline=None)
@given(st.lists(powers, min_size=1, max_size=4), st.integers(5_000, 200_000), st.booleans())
def test_history_has_no_gap_ends_in_time_and_counts_on(logs: list[list[float]], pause_ms: int, counter: bool) -> None:
    made = woven([log(p, counter) for p in logs], end_ms=9_000_000_000, pause_ms=pause_ms)
    steps = np.diff(made.at_ms)
    assert steps.min() > 0 and steps.max() <= HOLD_MS
    assert made.at_ms[-1] == 9_000_000_000 - 1000
    assert len(made.power_w) == len(made.at_ms)
    if counter:
        assert made.energy_wh is not None and np.diff(made.energy_wh).min() >= 0
    else:
        assert made.energy_wh is None


def test_the_energy_of_the_cycles_is_that_of_their_logs() -> None:
    one = read_log(find_log(Path("washer-healthy"))).series
    made = woven([one, one], end_ms=0, pause_ms=60_000)
    first = made.slice(0, len(one))
    assert steps_wh(first).sum() == pytest.approx(steps_wh(one).sum())
    assert made.voltage_v is not None and made.energy_wh is not None
    after = counting_on(one, made)
    assert after.energy_wh is not None and after.energy_wh[0] == made.energy_wh[-1]


def test_a_port_that_is_taken_is_said_or_gone_round() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert free_port(None, port) != port
        with pytest.raises(StartError, match=f"port {port} is taken"):
            free_port(port, 8420)


def test_the_settings_file_is_what_a_user_would_write(tmp_path: Path) -> None:
    series = read_log(find_log(Path("washer-healthy"))).series
    washer, dish = find_machine(Path("quay-washer-1")), find_machine(Path("harbour-dish-2"))
    plays = [
        Play("washer-meter", washer, series, "rtu", "float32-big-endian"),
        Play("dish-meter", dish, series, "tcp", "sunspec"),
    ]
    meters = SimulatedMeters(plays, tmp_path, Clock())
    meters.startup()
    try:
        ports = {"broker": 18830, "dashboard": 8421}
        path = write_settings(tmp_path, plays, meters, ports, {"site.name": '"quay"'})
        found = load_settings(path)
        assert list(load_machines(found, tmp_path)) == ["quay-washer-1", "harbour-dish-2"]
        serial, network = found.lines
        assert Path(serial.port).exists() and serial.meters[0].machine == "quay-washer-1"
        with socket.create_connection((network.host, network.tcp_port), timeout=10):
            pass
        assert (found.site.name, found.dashboard.port) == ("quay", 8421)
    finally:
        meters.shutdown()
    assert not Path(serial.port).exists()
