"""Which phase is said to run while it runs: as soon as it can be known, and by its own name."""

from __future__ import annotations

import pytest
from charts import machine, phase
from loadbook.assessor import Assessor
from loadbook.events import CycleChanged, StateChanged
from loadbook.judge.limits import Limits
from loadbook.machine import Machine
from loadbook.recognise import prices
from loadbook.recognise.charted import Charted
from washer import drum, on, second, series, still, washer


class Live:
    """``phases`` are (second, id) as they were said to begin; ``known`` the second at which each programme was first
    named."""

    def __init__(self, watts: list[float], chart: Machine) -> None:
        self.phases: list[tuple[int, str | None]] = []
        self.known: dict[str, int] = {}
        for event in Assessor(chart, Limits()).feed_series(series(watts)):
            if isinstance(event, StateChanged):
                self.phases.append((second(event.at_ms), event.phase))
            elif isinstance(event, CycleChanged) and event.cycle.programme is not None:
                self.known.setdefault(event.cycle.programme, second(event.at_ms))

    def at(self, when_s: int) -> str | None:
        return [name for at_s, name in self.phases if at_s <= when_s][-1]


def test_a_programme_is_named_once_the_other_no_longer_fits_though_the_phase_goes_on() -> None:
    short = '[[programme]]\nid = "short"\n' + phase("fill", "fill", 30, 200, '"valve"')
    short += phase("heat", "heat", 100, 250, '"heater"', '"drum_motor"') + phase("drain", "drain", 20, 90, '"pump"')
    live = Live(still(60) + on(8, 80) + drum(420, under_w=1880), washer(short))
    assert 140 + 250 < live.known["mixed"] <= 140 + 250 + 40


def test_phases_at_the_same_place_of_two_programmes_are_told_apart() -> None:
    fill, drain = phase("fill", "fill", 30, 200, '"valve"'), phase("drain", "drain", 20, 90, '"pump"')
    soak, wash = phase("soak", "hold", 60, 300), phase("wash", "wash", 60, 600, "", '"drum_motor"')
    chart = machine((fill, soak, drain), (fill, wash, drain), (fill, wash, drain, phase("end", "wait", 0, 60)))
    live = Live(still(60) + on(8, 80) + still(40) + drum(200), chart)
    assert live.at(175) == "soak"
    assert live.at(200) == "wash"


def test_a_heater_that_may_come_on_in_the_next_phase_too_does_not_end_this_one_by_resting() -> None:
    fill = phase("fill", "fill", 30, 200, '"valve"')
    wash = phase("wash", "wash", 100, 1500, '"drum_motor"', '"heater"')
    rinse = phase("rinse", "rinse", 100, 900, "", '"heater", "drum_motor", "valve", "pump"')
    short = phase("wash", "wash", 100, 700, '"drum_motor"', '"heater"')
    chart = machine((fill, wash, rinse), (fill, short, rinse))
    live = Live(still(60) + on(8, 80) + on(2030, 200) + on(150, 900), chart)
    assert live.at(140 + 200 + 880) == "wash"


DRY = phase("dry", "dry", 300, 6000, '"pump"', '"heater", "drum_motor"')
COOL = phase("cool", "cool", 100, 900, '"pump"', '"drum_motor"')


def heating(rests: int, rest_s: int) -> list[float]:
    return (on(2060, 100) + on(178, rest_s)) * rests


@pytest.mark.parametrize(("rests", "factor"), [(4, 2.0), (16, 1.45)])
def test_the_more_rests_of_a_heater_were_seen_the_sooner_a_longer_one_ends_the_phase(rests: int, factor: float) -> None:
    run = heating(rests, 40)
    live = Live(still(60) + run + on(2060, 100) + on(178, 300), machine((DRY, COOL)))
    off_s = 60 + len(run) + 100
    (cool_s,) = [at_s for at_s, name in live.phases if name == "cool"]
    assert off_s + 40 < cool_s <= off_s + 40 * factor + 10


def test_a_reading_of_which_the_drum_alone_has_a_part_is_no_stroke_of_the_heater() -> None:
    cooling = (on(178, 8) + on(28, 6) + on(100, 1) + on(28, 6)) * 20
    run = heating(8, 40) + on(2060, 100)
    live = Live(still(60) + run + cooling, machine((DRY, COOL)))
    assert live.at(60 + len(run) + 80) == "cool"


def test_a_door_opened_in_a_wash_costs_its_story_less_than_a_broken_pump() -> None:
    """Nothing drew for a while, and then the pump again: no story of a broken heater comes near that."""
    fill, heat = phase("fill", "fill", 30, 200, '"valve"'), phase("heat", "heat", 280, 900, '"heater", "drum_motor"')
    wash, drain = phase("wash", "wash", 150, 900, '"drum_motor"'), phase("drain", "drain", 20, 90, '"pump"')
    assessor = Assessor(machine((fill, heat, wash, drain)), Limits())
    run = on(8, 80) + on(2030, 300) + on(150, 100) + still(250) + on(150, 100) + on(28, 20)
    assessor.feed_series(series(still(60) + run))
    assert isinstance(assessor.tracker, Charted)
    assert assessor.tracker.beam.totals[0] < prices.PRICE["missing"]
