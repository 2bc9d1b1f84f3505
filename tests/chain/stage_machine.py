"""A machine whose whole programme takes four minutes, and its log: for tests of the whole chain."""

from __future__ import annotations

import numpy as np
from loadbook.reading import Series

MACHINE = """\
[machine]
id = "pier-washer-9"
name = "Washer 9, pier"
kind = "washing_machine"
rated_voltage_v = 230.0
standby_w = 1.0

[[component]]
id = "valve"
nature = "solenoid"
rated_w = 9.0

[[component]]
id = "heater"
nature = "resistive"
rated_w = 1900.0

[[component]]
id = "pump"
nature = "motor"
rated_w = 32.0

[[programme]]
id = "quick"
name = "Quick"

[[programme.phase]]
id = "fill"
stage = "fill"
on = ["valve"]
min_s = 20.0
max_s = 60.0

[[programme.phase]]
id = "heat"
stage = "heat"
on = ["heater"]
min_s = 60.0
max_s = 150.0

[[programme.phase]]
id = "drain"
stage = "drain"
on = ["pump"]
min_s = 15.0
max_s = 60.0
"""

STANDBY_W, VALVE_W, PUMP_W = 1.0, 9.0, 30.0
FILL_S, HEAT_S, DRAIN_S = 40, 120, 30


def play(heater_w: float = 1900.0, before_s: int = 60, after_s: int = 600) -> Series:
    """A log of one cycle at 230 V, idling before and after. ``heater_w``: half of the plate is a broken element."""
    watts = [STANDBY_W] * before_s
    watts += [STANDBY_W + VALVE_W] * FILL_S + [STANDBY_W + heater_w] * HEAT_S + [STANDBY_W + PUMP_W] * DRAIN_S
    watts += [STANDBY_W] * after_s
    power_w = np.array(watts)
    return Series(
        at_ms=1000 * np.arange(len(watts), dtype=np.int64),
        power_w=power_w,
        voltage_v=np.full(len(watts), 230.0),
        current_a=power_w / 230.0,
        frequency_hz=np.full(len(watts), 50.0),
        energy_wh=1000.0 + np.cumsum(power_w) / 3600,
    )
