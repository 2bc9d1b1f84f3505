"""Which stories are kept of those that tell the same."""

from __future__ import annotations

import pytest
from loadbook.judge.limits import Limits
from loadbook.machine import parse_machine
from loadbook.recognise.beam import Beam
from loadbook.recognise.chart_model import chart_model
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.levels import Levels
from loadbook.recognise.rivals import Rivals, key_of
from loadbook.recognise.stay import Stay
from loadbook.recognise.stretch import Stretch
from loadbook.recognise.time_up import next_time_up_ms, time_is_up
from washer import CHART, Said, on, second, still, washer

WASH = 2
NOW_MS = 1_000_000


def beam() -> Beam:
    chart = chart_model(washer(), Limits())
    return Beam(chart, Limits(), Levels.of(chart))


def washing(began_s: int, score: float) -> Story:
    """A story whose wash (at least 150 s) began at a second; it is now second 1000."""
    at_ms = began_s * 1000
    wash = chart_model(washer(), Limits()).programmes[0].phases[WASH]
    return Story(0, 0, 0, Stay(WASH, at_ms, at_ms, 0), wash, score)


@pytest.mark.parametrize(
    ("old", "new", "kept"),
    [
        ((800, 3.0), (990, 2.0), [990, 800]),  # the older one need not last any longer
        ((800, 11.9), (990, 2.0), [990]),  # nor does that make up for what it cost
        ((800, 2.0), (990, 3.0), [800]),
        ((700, 3.0), (800, 2.0), [800]),  # both have lasted
    ],
)
def test_of_two_that_tell_the_same_the_cheapest_now_and_the_cheapest_to_leave_are_kept(
    old: tuple[int, float], new: tuple[int, float], kept: list[int]
) -> None:
    stories = beam()
    stories.add([washing(*old)], NOW_MS)
    stories.add([washing(*new)], NOW_MS)
    assert [s.now.early_ms // 1000 for s in stories.stories] == kept


def test_never_more_than_two_are_kept() -> None:
    stories = beam()
    for began_s in range(800, 1000, 10):
        stories.add([washing(began_s, 10 - began_s / 100)], NOW_MS)
    assert [s.now.early_ms // 1000 for s in stories.stories] == [990, 850]


def test_a_new_one_has_to_be_cheaper_than_what_tells_the_same() -> None:
    stories = beam()
    stories.add([washing(800, 2.0)], NOW_MS)
    rivals = Rivals(stories, NOW_MS)
    same, other = key_of(washing(990, 0.0)), (0, WASH + 1, 0, 0, False)
    assert [rivals.beat(same, price) for price in (1.9, 2.0, 3.0)] == [False, True, True]
    assert not rivals.beat(other, 100.0)


def test_a_story_is_looked_at_when_its_phase_may_and_when_it_must_be_over_and_while_that_grows_dear() -> None:
    told = washing(800, 0.0)  # from 150 s on, for 600 s at most
    when, seen = 801_000, []
    while (when := next_time_up_ms([told], when)) < 1 << 62:
        seen.append(when / 1000 - 800)
    assert seen == [150.0, 600.0, 602.001, 624.0]
    assert [time_is_up([told], 1000 * s) for s in (900, 950, 951, 1400, 1401)] == [False, True, False, True, False]


DRYER = (
    CHART.split("[[programme]]")[0]
    + """
[[programme]]
id = "dry"
[[programme.phase]]
id = "heating"
stage = "dry"
on = ["drum_motor"]
pulsing = ["heater"]
min_s = 300.0
max_s = 3000.0
[[programme.phase]]
id = "cool"
stage = "cool"
on = ["drum_motor"]
min_s = 100.0
max_s = 600.0
[[programme.phase]]
id = "guard"
stage = "wait"
pulsing = ["drum_motor"]
max_s = 3000.0
optional = true
"""
)


def test_what_draws_after_the_end_costs_the_more_the_longer_but_a_lamp() -> None:
    stories = beam()
    done = Story(0, 0, 0, Stay(4, 0, 0, 0), None)
    for watts, grows in ((20.0, False), (900.0, True)):
        level = Stretch(0, 0, watts, 230.0)
        soon, late = stories.after_end(done, level, 60_000), stories.after_end(done, level, 600_000)
        assert (late > soon + 3.0) == grows


def test_a_new_cycle_long_after_the_last_is_said_within_a_minute_though_its_heater_is_weak() -> None:
    def drying(heater_w: float) -> list[float]:
        return (on(150 + heater_w, 200) + on(150, 40)) * 4 + on(150, 200)

    run = still(60) + drying(1880) + still(1500) + drying(900)[:60]
    said = Said(run, parse_machine(DRYER, "dryer.toml"))
    assert [second(c.start_ms) for c in said.cycles] == [60, 60 + 1160 + 1500]
