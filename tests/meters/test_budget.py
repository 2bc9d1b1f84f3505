"""The line's time budget against the specification's own figures."""

from __future__ import annotations

from pathlib import Path

import pytest
from loadbook.clock import Clock
from loadbook.errors import StartError
from loadbook.files import load_map
from loadbook.meters.budget import budget, char_s, exchange_s, silence_s
from loadbook.meters.counters import CountingSink
from loadbook.meters.lines import build_lines
from loadbook.meters.simulated import SimulatedLine, SimulatedMeter
from loadbook.settings import Line, Settings

from tests.meters.conftest import player


def line(**more: object) -> Line:
    given = {"id": "l1", "kind": "modbus_rtu", "port": "/dev/x", "turnaround_s": 0.0}
    return Line.model_validate(given | {"meter": [{"id": "m1", "map": "any"}]} | more)


@pytest.mark.parametrize(
    ("speed", "parity", "char_ms", "silence_ms", "request_ms", "answer_10_ms"),
    [
        (9600, "N", 1.0417, 3.6458, 8.333, 26.042),
        (9600, "E", 1.1458, 4.0104, 9.167, 28.646),
        (19200, "E", 0.5729, 2.0052, 4.583, 14.323),
        (115200, "E", 0.0955, 1.750, 0.764, 2.387),
    ],
)
def test_times_on_the_wire(
    *, speed: int, parity: str, char_ms: float, silence_ms: float, request_ms: float, answer_10_ms: float
) -> None:
    """Modbus over Serial Line V1.02, 2.5.1.1 (3.5 characters; 1.750 ms above 19,200 Bd); times worked out by hand."""
    wire = line(baud_bd=speed, parity=parity)
    assert char_s(wire) * 1000 == pytest.approx(char_ms, abs=1e-4)
    assert silence_s(wire) * 1000 == pytest.approx(silence_ms, abs=1e-4)
    assert exchange_s(wire, 10) * 1000 == pytest.approx(request_ms + answer_10_ms + 2 * silence_ms, abs=2e-3)


def test_a_whole_sunspec_model_takes_a_third_of_a_second_at_9600() -> None:
    """Response of 107 registers at 9600 8E1: 250.9 ms, worked out by hand."""
    wire = line(baud_bd=9600)
    assert exchange_s(wire, 107) * 1000 == pytest.approx(9.167 + 250.9 + 2 * 4.0104, abs=0.1)


def settings(count: int, port: str) -> Settings:
    meters = [{"id": f"m{n}", "map": "float32-big-endian", "unit_id": n} for n in range(1, count + 1)]
    return Settings.model_validate({"line": [{"id": "l1", "kind": "modbus_rtu", "port": port, "meter": meters}]})


def test_a_line_without_time_is_refused_with_the_figure(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    clock = Clock()
    meter = SimulatedMeter(1, load_map("float32-big-endian", Path()), player(clock))
    simulated = SimulatedLine([meter], clock, link=tmp_path / "port").start()
    try:
        sink = CountingSink({})
        assert build_lines(settings(8, simulated.port), tmp_path, sink, clock)
        assert not caplog.records
        assert build_lines(settings(12, simulated.port), tmp_path, sink, clock)
        assert "96% of the interval of 1 s" in caplog.text
        with pytest.raises(StartError, match=r"line\[1\] \(l1\): its 20 meters need 1.59 s on the wire at 9600 Bd"):
            build_lines(settings(20, simulated.port), tmp_path, sink, clock)
    finally:
        simulated.stop()


def test_the_budget_of_a_line_is_the_sum_of_its_blocks() -> None:
    wire = line()
    maps = [load_map(name, Path()) for name in ("float32-big-endian", "sunspec")]
    found = budget(wire, maps, 1.0)
    assert found.wire_s == pytest.approx(exchange_s(wire, 16) + exchange_s(wire, 70))
    assert found.most_per_s == pytest.approx(2 / found.wire_s)
