"""Parts that are absent where other parts come and go; a part that stops before its phase may."""

from __future__ import annotations

import pytest
from loadbook.machine import parse_machine
from washer import CHART, Said, drum, on, second, still

TURNING_FILL = CHART.replace('on = ["valve"]', 'on = ["valve"]\npulsing = ["drum_motor"]')


def test_no_water_comes_while_the_drum_turns() -> None:
    """The drum's strokes do not show whether the valve is on; its rests do, and they add up."""
    run = on(28, 20) + drum(120, motor_w=110, on_s=8, off_s=12) + still(60)
    first_drain = '[[programme.phase]]\nid = "first-drain"\nstage = "drain"\non = ["pump"]\nmin_s = 5.0\nmax_s = 60.0\n'
    head, rest = TURNING_FILL.split("[[programme.phase]]", 1)
    said = Said(still(60) + run, parse_machine(head + first_drain + "[[programme.phase]]" + rest, "turning.toml"))
    alert = said.one("component_missing")
    assert (alert.phase, alert.component) == ("fill", "valve")
    assert second(alert.raised_ms) <= 80 + 38


@pytest.mark.parametrize(
    ("heat_s", "kind"),
    [(60, "component_missing"), (120, "component_missing"), (170, "phase_too_short")],
    ids=[
        "far from its least time the heater is broken",
        "less far too, for a part is said before a phase",
        "near to it the phase was cut short",
    ],
)
def test_a_heater_that_stops_before_the_least_time_of_its_phase(heat_s: int, kind: str) -> None:
    said = Said(still(60) + on(8, 80) + drum(heat_s, under_w=1880) + drum(100))
    assert said.one(kind).phase == "heat"
