"""A small invented washer and drawn runs of it, for tests of the charted tracker. Watts are put together by hand."""

from __future__ import annotations

import numpy as np
from loadbook.assessor import Assessor
from loadbook.events import Alert, AlertChanged, Cycle, CycleChanged, Event
from loadbook.judge.limits import Limits
from loadbook.machine import Machine, parse_machine
from loadbook.reading import Series

START_MS = 1_700_000_000_000
CHART = """
[machine]
id = "test-washer"
name = "Test washer"
kind = "washing_machine"
standby_w = 1.2
[[component]]
id = "heater"
nature = "resistive"
rated_w = 1900.0
[[component]]
id = "drum_motor"
nature = "motor"
rated_w = 180.0
[[component]]
id = "valve"
nature = "solenoid"
rated_w = 8.0
[[component]]
id = "pump"
nature = "motor"
rated_w = 30.0
[[programme]]
id = "mixed"
[[programme.phase]]
id = "fill"
stage = "fill"
on = ["valve"]
min_s = 30.0
max_s = 200.0
[[programme.phase]]
id = "heat"
stage = "heat"
on = ["heater"]
pulsing = ["drum_motor"]
min_s = 200.0
max_s = 900.0
[[programme.phase]]
id = "wash"
stage = "wash"
pulsing = ["drum_motor"]
min_s = 150.0
max_s = 600.0
[[programme.phase]]
id = "drain"
stage = "drain"
on = ["pump"]
min_s = 20.0
max_s = 90.0
"""
STANDBY_W = 1.2


def washer(more: str = "") -> Machine:
    return parse_machine(CHART + more, "washer.toml")


def still(seconds: int) -> list[float]:
    return [STANDBY_W] * seconds


def on(watts: float, seconds: int) -> list[float]:
    return [STANDBY_W + watts] * seconds


def drum(seconds: int, under_w: float = 0.0, motor_w: float = 150.0, on_s: int = 10, off_s: int = 6) -> list[float]:
    stroke = [STANDBY_W + under_w + motor_w] * on_s + [STANDBY_W + under_w] * off_s
    return (stroke * (seconds // len(stroke) + 1))[:seconds]


def healthy(fill_s: int = 80, heat_s: int = 420, wash_s: int = 300, drain_s: int = 45) -> list[float]:
    return on(8, fill_s) + drum(heat_s, under_w=1880) + drum(wash_s) + on(28, drain_s)


def series(watts: list[float], volts: bool = True, scatter: float = 0.003) -> Series:
    n = len(watts)
    rng = np.random.default_rng(1)
    power = np.round(np.array(watts) * rng.normal(1, scatter, n), 2)
    return Series(
        at_ms=START_MS + np.arange(n, dtype=np.int64) * 1000,
        power_w=power,
        voltage_v=np.full(n, 230.0) if volts else None,
    )


class Said:
    """What was said of a run: cycles and alerts as last known."""

    def __init__(
        self, watts: list[float], machine: Machine | None = None, volts: bool = True, scatter: float = 0.003
    ) -> None:
        assessor = Assessor(machine or washer(), Limits())
        events: list[Event] = [*assessor.feed_series(series(watts, volts, scatter)), *assessor.finish()]
        cycles: dict[int, Cycle] = {}
        alerts: dict[str, Alert] = {}
        for event in events:
            if isinstance(event, CycleChanged):
                cycles[event.cycle.key_ms] = event.cycle
                if event.dropped:
                    del cycles[event.cycle.key_ms]
            elif isinstance(event, AlertChanged):
                alerts[event.alert.key] = event.alert
                if event.withdrawn:
                    del alerts[event.alert.key]
        self.cycles = list(cycles.values())
        self.alerts = list(alerts.values())

    def kinds(self) -> list[tuple[str, str | None, str | None]]:
        return [(a.kind, a.phase, a.component) for a in self.alerts]

    def one(self, kind: str) -> Alert:
        (found,) = [a for a in self.alerts if a.kind == kind]
        return found


def second(at_ms: int | None) -> int:
    assert at_ms is not None
    return (at_ms - START_MS) // 1000
