"""A part that has never been seen for certain beside a heater, and what the heater's own step tells of it.

By the contract a part that is on for all of a phase may break off for 10 s, and what is missing or outside its band is
said within 30 s.
"""

from __future__ import annotations

import pytest
from charts import machine, phase
from loadbook.assessor import Assessor
from loadbook.events import Alert, AlertChanged
from loadbook.judge.causes import CauseTable
from loadbook.judge.findings import Findings
from loadbook.judge.limits import Limits
from washer import Said, on, second, series, still

DRY = phase("dry", "dry", 300, 6000, '"drum_motor"', '"heater"')
COOL = phase("cool", "cool", 100, 900, '"drum_motor"')
FILL = phase("fill", "fill", 20, 200, '"valve"')
WASH = phase("wash", "wash", 240, 3000, '"pump"', '"heater"')
LAST = phase("rinse", "rinse", 120, 3000, "", '"pump", "heater", "drum_motor"')
DRYER = machine((DRY, COOL))
DISH = machine((FILL, WASH))


def taken_back(watts: list[float]) -> list[str]:
    """The kinds of alert that were withdrawn."""
    assessor = Assessor(DRYER, Limits())
    events = [*assessor.feed_series(series(watts)), *assessor.finish()]
    return [e.alert.kind for e in events if isinstance(e, AlertChanged) and e.withdrawn]


def test_a_dryer_s_drum_that_does_not_draw_while_the_heater_rests_is_missing_and_stays_so() -> None:
    run = still(60) + on(1880, 120) + (still(40) + on(1880, 120)) * 4 + still(20)
    alert = Said(run, DRYER).one("component_missing")
    assert (alert.phase, alert.component) == ("dry", "drum_motor")
    assert 180 + 10 <= second(alert.raised_ms) <= 180 + 30
    assert not taken_back(run)


def test_a_door_opened_while_the_drum_turns_is_nothing_missing() -> None:
    warm = on(170, 6) + (on(2050, 120) + on(170, 40)) * 3
    run = still(60) + warm + still(30) + warm + on(170, 200) + still(400)
    assert not Said(run, DRYER).alerts


def test_a_wash_pump_that_does_not_show_in_the_heater_s_short_break_is_missing() -> None:
    run = still(60) + on(8, 60) + on(1880, 100) + still(4) + on(1880, 90)
    alert = Said(run, DISH).one("component_missing")
    assert (alert.phase, alert.component) == ("wash", "pump")
    assert 220 <= second(alert.raised_ms) <= 220 + 35


@pytest.mark.parametrize("volts", [True, False])
def test_a_blocked_drum_beside_a_heater_is_told_by_the_step_with_which_that_came_on(volts: bool) -> None:
    run = still(60) + on(330, 6) + on(330 + 1890, 90)
    alert = Said(run, DRYER, volts=volts).one("power_high")
    assert (alert.phase, alert.component) == ("dry", "drum_motor")
    assert second(alert.raised_ms) <= 60 + 6 + 30
    assert alert.measured == pytest.approx(330, rel=0.1)


def test_a_drum_within_its_band_beside_a_heater_that_came_on_later_is_fine() -> None:
    assert not Said(still(60) + on(175, 6) + on(175 + 1890, 90), DRYER).alerts


def test_a_programme_that_begins_after_minutes_of_standstill_is_not_the_last_rinse_going_on() -> None:
    """The last phase explains all that draws: what comes and goes in it has rested for too long."""
    run = on(8, 60) + on(1910, 200) + on(30, 100) + on(190, 10) + on(1880, 150) + on(30, 40)
    said = Said(still(60) + run + still(600) + run + still(600), machine((FILL, WASH, LAST)))
    assert len(said.cycles) == 2


def test_what_is_found_when_it_is_over_is_over_once_it_is_said() -> None:
    findings = Findings(None, CauseTable())
    findings.raise_("a", Alert("phase_too_long", 10_000, 90_000))
    (event,) = findings.clear("a", 50_000)
    assert event.alert.cleared_ms == 90_000
