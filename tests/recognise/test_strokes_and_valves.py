"""What a drum's strokes, a valve's fillings and small draws tell of the phase."""

from __future__ import annotations

import pytest
from charts import machine, phase
from loadbook.assessor import Assessor
from loadbook.events import StateChanged
from loadbook.judge.limits import Limits
from loadbook.recognise import prices
from loadbook.recognise.beam import Beam
from loadbook.recognise.chart_model import chart_model
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.levels import Levels
from loadbook.recognise.options import Option
from loadbook.recognise.stay import Pulses, Stay
from loadbook.recognise.stretch import Stretch
from loadbook.recognise.strokes import ended_stroke
from washer import Said, drum, on, second, series, still

WASH = phase("wash", "wash", 100, 900, pulsing='"drum_motor"')
DRAIN = phase("drain", "drain", 20, 90, '"pump"')


def starts(said: Said) -> dict[str | None, int]:
    """Seconds at which the first cycle's phases began."""
    return {p.id: second(p.start_ms) for p in said.cycles[0].phases if p.start_ms is not None}


def test_a_stroke_that_went_on_and_on_costs_though_it_has_ended() -> None:
    """A drum that turned for three minutes was spinning; that it stands still again makes no rinse of it."""
    model = chart_model(machine((WASH, phase("rinse", "rinse", 100, 700, pulsing='"drum_motor", "valve"'))), Limits())
    beam = Beam(model, Limits(), Levels.of(model))
    drum_motor, valve = 1, 2
    wash = Stay(0, 0, 0, 0, end_ms=300_000, pulses={drum_motor: Pulses(n=12, longest_on_ms=15_000)})
    costs = []
    for stroke_s in (14, 190):
        turned = Pulses(n=3, rest_since_ms=600_000, on_since_ms=600_000 - stroke_s * 1000, drawing=True)
        filled = Pulses(n=9, rest_since_ms=598_000, on_since_ms=598_000 - stroke_s * 1000, longest_on_ms=4_000)
        now = Stay(1, 300_000, 300_000, 0, pulses={drum_motor: turned, valve: filled})
        story = Story(0, 0, 0, now, model.programmes[0].phases[1], past=(wash,))
        costs.append(beam.time_cost(story, 300_000, 603_000))
    assert costs[0] == 0.0 and costs[1] == pytest.approx(prices.LONG_STROKE)


def test_strokes_beside_a_heater_say_nothing_of_how_long_strokes_are() -> None:
    """They run into one another there: a turn of minutes is long all the same where it turns without the heater."""
    heat = phase("heat", "heat", 100, 900, '"heater"', '"drum_motor"')
    rinse = phase("rinse", "rinse", 100, 700, pulsing='"drum_motor"')
    model = chart_model(machine((heat, WASH, rinse)), Limits())
    drum_motor = 1
    hot = Stay(0, 0, 0, 0, end_ms=300_000, pulses={drum_motor: Pulses(n=9, longest_on_ms=170_000)})
    wash = Stay(1, 300_000, 300_000, 0, end_ms=600_000, pulses={drum_motor: Pulses(n=12, longest_on_ms=15_000)})
    turned = Pulses(n=3, rest_since_ms=900_000, on_since_ms=820_000, drawing=True)
    now = Stay(2, 600_000, 600_000, 0, pulses={drum_motor: turned})
    story = Story(0, 0, 0, now, model.programmes[0].phases[2], past=(hot, wash))
    assert ended_stroke(model, story, model.programmes[0].phases[2], drum_motor) == pytest.approx(prices.LONG_STROKE)


def test_a_valve_keeps_no_beat() -> None:
    """It tops up now and then, and once for long: neither its rests nor its length end the phase it belongs to."""
    chart = machine((
        phase("wash", "wash", 60, 900, pulsing='"drum_motor", "valve"'),
        phase("rinse", "rinse", 60, 900, pulsing='"drum_motor", "pump"'),
        phase("drain", "drain", 20, 200, '"pump"'),
    ))  # fmt: skip
    tops = (on(8, 4) + drum(48)) * 7
    said = Said(tops + on(8, 60) + drum(290) + on(28, 12) + drum(140) + on(28, 60), chart)
    began = starts(said)
    assert began["rinse"] == pytest.approx(len(tops) + 60 + 290, abs=8)
    assert not said.alerts


def test_a_motor_whose_load_varies_may_draw_all_that_its_plate_says() -> None:
    """A drum learned at 80 W turns heavy at 170 W of its 180 W plate: nothing about it is far-fetched."""
    model = chart_model(machine((phase("wash", "wash", 100, 900, pulsing='"drum_motor"'),)), Limits())
    levels = Levels.of(model)
    for _ in range(12):
        levels.learn_usual(1, 81.2)
    assert levels.healthy_z(model.programmes[0].phases[0], 171.2, 230.0) < 0.05


def test_draw_of_five_watts_that_no_part_explains_does_not_count() -> None:
    """Contract: only above the larger of 5 W and 4 % of what is on."""
    chart = machine((
        phase("wash", "wash", 100, 900, pulsing='"drum_motor"'),
        phase("drain", "drain", 20, 90, '"pump"'),
        phase("fill", "fill", 20, 200, '"valve"'),
    ))  # fmt: skip
    lit = drum(150) + on(4.6, 45) + drum(150) + on(28, 45) + on(8, 60)
    assert not Said(lit, chart).alerts


def test_nothing_that_stands_still_comes_out_of_order() -> None:
    """A fill that was left out comes after all where its valve draws; that all stands still is no late fill."""
    fill = phase("fill", "fill", 20, 300, pulsing='"valve"')
    model = chart_model(machine((fill, phase("wash", "wash", 240, 900, pulsing='"drum_motor"'))), Limits())
    beam = Beam(model, Limits(), Levels.of(model))
    now = Stay(1, 0, 0, 0, seen_ms={1: 100_000}, well_ms=300_000)
    story = Story(0, 0, 0, now, model.programmes[0].phases[1], skipped=((0, 0),))
    late = [list(beam._back(story, Stretch(300_000, 0, w, 230.0, 151.0), 300_000, 0.5, {})) for w in (9.2, 1.2)]
    assert [len(found) for found in late] == [1, 0]


def test_a_single_reading_shows_no_part() -> None:
    """A slow meter's reading may be the mean of a stroke and the rest after it: ever so many make no pump of it."""
    model = chart_model(machine((WASH,)), Limits())
    levels = Levels.of(model)
    wash = model.programmes[0].phases[0]
    options = levels.explain(wash, 29.0, 230.0)
    suspected = []
    for readings in (1, 2):
        story = Story(0, 0, 0, Stay(0, 0, 0, 0), wash)
        story.take(wash, options, (options[0], 1.0), 0, 4_000, 29.0, readings)
        suspected.append(bool(story.now.suspects))
    assert options[0].faults and suspected == [False, True]


def test_whether_a_wash_may_have_ended_is_asked_of_when_its_drum_stopped() -> None:
    """It stopped long before the wash's least time was over: that that time passes meanwhile makes no end of it."""
    model = chart_model(machine((phase("wash", "wash", 300, 900, pulsing='"drum_motor"'),)), Limits())
    beam = Beam(model, Limits(), Levels.of(model))
    rested = Pulses(n=12, longest_rest_ms=6_000, longest_on_ms=10_000, rest_since_ms=200_000)
    story = Story(0, 0, 0, Stay(0, 0, 0, 0, pulses={1: rested}), model.programmes[0].phases[0])
    assert beam.time_cost(story, 0, 320_000) == prices.MOTOR_QUIET + prices.PATTERN


def test_an_anti_crease_tumble_goes_on_while_it_rests() -> None:
    """A rest a little longer than a minute, as the ones before it, does not end the cycle: that is said at the end."""
    chart = machine((
        phase("wash", "wash", 100, 900, pulsing='"drum_motor"'),
        phase("drain", "drain", 20, 90, '"pump"'),
        phase("loosen", "wait", 60, 3000, pulsing='"drum_motor"'),
    ))  # fmt: skip
    tumble = (on(150, 6) + still(64)) * 12
    assessor = Assessor(chart, Limits())
    events = [*assessor.feed_series(series(drum(200) + on(28, 40) + tumble + still(300))), *assessor.finish()]
    idle = [e.at_ms for e in events if isinstance(e, StateChanged) and e.state == "idle"]
    late = [ms for ms in idle if second(ms) > 240 + 4 * 70]
    assert len(late) == 1 and second(late[0]) > 240 + len(tumble)


def test_strokes_beside_a_heater_known_to_be_weak_are_seen() -> None:
    """By the plate it is no heater at all that draws half: then the drum is what stands above the lowest level."""
    model = chart_model(machine((phase("heat", "heat", 100, 900, '"heater"', '"drum_motor"'),)), Limits())
    beam = Beam(model, Limits(), Levels.of(model))
    heater, drum_motor = 0, 1
    heat = model.programmes[0].phases[0]
    beam.levels.learn_resistive(heater, 951.2, 230.0, 60_000, 60_000)
    story = Story(0, 0, 0, Stay(0, 0, 0, 0, floor_w=951.2), heat)
    weak = Option((("low", heater),), 1 << heater, 0.1)
    masks = [beam._told_apart(story, heat, weak, w).mask for w in (951.2, 1101.2)]
    assert masks == [1 << heater, 1 << heater | 1 << drum_motor]


def test_a_power_cut_ends_a_stroke() -> None:
    """The drum turned when the supply went, and turns when it is back: in between it did not."""
    rinse = phase("rinse", "rinse", 100, 700, pulsing='"drum_motor", "pump", "valve"')
    assessor = Assessor(machine((phase("wash", "wash", 300, 1500, pulsing='"drum_motor"'), rinse, DRAIN)), Limits())
    assessor.feed_series(series(drum(198) + [0.0] * 240 + drum(100), volts=False))
    story = assessor.tracker.beam.stories[0]  # type: ignore[attr-defined]
    assert story.phase.id == "wash" and story.score < 1.0
