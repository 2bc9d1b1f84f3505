"""Standing still before the end: from when it counts, and that it is no phase which has run."""

from __future__ import annotations

from charts import machine, phase
from washer import Said, healthy, on, second, still

DRY = phase("dry", "dry", 300, 6000, '"pump"', '"heater", "drum_motor"')
COOL = phase("cool", "cool", 100, 900, '"pump"', '"drum_motor"')


def test_a_dryer_that_stops_as_its_heater_rests_has_not_cooled_while_it_stood_still() -> None:
    """A few watts go away with the display, minutes later: that ends nothing."""
    run = (on(2060, 100) + on(178, 40)) * 6 + on(2060, 100) + on(178, 2)
    said = Said(still(60) + run + [4.0] * 200 + [1.0] * 700, machine((DRY, COOL)))
    assert said.cycles[0].outcome == "stopped_early"
    alert = said.one("stopped_early")
    assert 300 <= second(alert.raised_ms) - 60 - len(run) <= 310


def test_a_stroke_of_two_seconds_is_an_action_from_which_a_stop_counts() -> None:
    run = healthy()[:700] + still(7) + on(160, 2)
    alert = Said(still(60) + run + still(400)).one("stopped_early")
    assert second(alert.began_ms) >= 60 + len(run) - 1
