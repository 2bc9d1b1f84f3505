"""What does not stop: a pump that is not switched off, a loosening without end; and how soon a fault is said."""

from __future__ import annotations

import pytest
from loadbook.machine import Machine, parse_machine
from washer import CHART, Said, drum, healthy, on, second, still

FIRST_DRAIN = """
[[programme.phase]]
id = "first-drain"
stage = "drain"
on = ["pump"]
min_s = 5.0
max_s = 60.0
"""
LOOSEN = """
[[programme.phase]]
id = "loosen"
stage = "wait"
pulsing = ["drum_motor"]
min_s = 0.0
max_s = 240.0
optional = true
"""


def machine() -> Machine:
    """The test washer, draining before it fills and loosening the laundry at the end."""
    head, first = CHART.split("[[programme.phase]]", 1)
    return parse_machine(head + FIRST_DRAIN + "[[programme.phase]]" + first + LOOSEN, "stays_on.toml")


def rests(seconds: int) -> list[float]:
    """A stroke of 8 s every 16 s."""
    return ([1.2] * 8 + [131.2] * 8) * (seconds // 16)


@pytest.mark.parametrize(
    ("pump_w", "within_s"),
    [(33, 30), (28, 30)],
    ids=["beyond the pump's band with the valve", "within its band, but steady until a step of the valve's watts"],
)
def test_a_pump_that_stays_on_beside_the_valve_does_not_belong_in_the_fill(pump_w: float, within_s: int) -> None:
    run = on(pump_w, 15) + on(pump_w + 8, 80) + drum(420, under_w=1880 + pump_w) + drum(300, under_w=pump_w)
    run += on(pump_w, 45)
    said = Said(still(60) + run + still(400), machine())
    alert = next(a for a in said.alerts if a.kind == "component_unexpected")
    assert (alert.phase, alert.component) == ("fill", "pump")
    assert second(alert.began_ms) == 75
    assert second(alert.raised_ms) <= 75 + within_s
    assert [p.id for p in said.cycles[0].phases][:2] == ["first-drain", "fill"]


def test_strokes_after_the_loosening_s_time_are_too_long_not_the_end() -> None:
    said = Said(still(60) + on(28, 15) + healthy() + rests(600) + still(400), machine())
    alert = said.one("phase_too_long")
    assert alert.phase == "loosen"
    assert 0 < second(alert.raised_ms) - second(alert.began_ms) <= 35
    assert len(said.cycles) == 1


def test_a_loosening_within_its_time_is_nothing_to_say() -> None:
    said = Said(still(60) + on(28, 15) + healthy() + rests(160) + still(400), machine())
    assert said.alerts == []
    assert said.cycles[0].outcome == "completed"


def test_a_valve_that_never_opens_is_said_when_a_break_would_be_over() -> None:
    said = Said(still(60) + on(28, 15) + still(200), machine())
    alert = said.one("component_missing")
    assert (alert.phase, alert.component) == ("fill", "valve")
    assert 75 + 10 <= second(alert.raised_ms) <= 75 + 17


def test_a_weak_heater_is_said_as_soon_as_it_may_be_judged() -> None:
    run = on(8, 80) + on(1450, 420) + drum(300) + on(28, 45)
    alert = Said(still(60) + on(28, 15) + run + still(400), machine()).one("power_low")
    assert (alert.phase, alert.component) == ("heat", "heater")
    assert 155 + 20 <= second(alert.raised_ms) <= 155 + 23
