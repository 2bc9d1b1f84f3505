"""Cycles and stages without a chart, on hand-drawn logs (see drawn.py) and on the replay logs' truth."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from drawn import (
    START_MS,
    cycles_of,
    dishwasher,
    draw,
    dryer,
    idle,
    last_known,
    length_s,
    overlap,
    strokes,
    washer,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.assessor import Assessor
from loadbook.logs import read_log
from loadbook.machine import Machine, parse_machine
from loadbook.reading import Series

ROOT = Path(__file__).parents[2]
HOUR = 3600.0


def machine_of(kind: str) -> Machine:
    return parse_machine(f'[machine]\nid = "m"\nname = "M"\nkind = "{kind}"\n', "m.toml")


@pytest.mark.parametrize("interval_s", [1.0, 2.0, 5.0])
@pytest.mark.parametrize(("kind", "steps"), [("dishwasher", dishwasher()), ("washing_machine", washer())])
@pytest.mark.parametrize("known", [True, False], ids=["kind known", "nothing known"])
def test_one_cycle_is_found_to_the_second(kind: str, steps: list, known: bool, interval_s: float) -> None:
    series = draw([*idle(1200), *steps, *idle(4000)], interval_s=interval_s)
    (cycle,) = cycles_of(series, machine_of(kind) if known else None)
    assert cycle.outcome == "completed"
    assert overlap(cycle, 1200, 1200 + length_s(steps)) > 0.995


def test_passive_drying_and_the_last_drain_belong_to_the_cycle() -> None:
    (cycle,) = cycles_of(draw([*idle(900), *dishwasher(drying_s=1774), *idle(4000)]))
    assert [p.stage for p in cycle.phases[-3:]] == ["drain", "dry", "drain"]
    assert overlap(cycle, 900, 900 + length_s(dishwasher(drying_s=1774))) > 0.995


@pytest.mark.parametrize("apart_s", [41, 1005, 1241, 5000])
@pytest.mark.parametrize("off_w", [0.4, 3.0], ids=["off level lower", "off level equal to drying level"])
def test_two_dishwasher_programmes_are_two(apart_s: float, off_w: float) -> None:
    one = dishwasher()
    cycles = cycles_of(draw([*idle(1200, off_w), *one, *idle(apart_s, off_w), *one, *idle(4000, off_w)]))
    assert len(cycles) == 2
    assert overlap(cycles[0], 1200, 1200 + length_s(one)) > 0.99
    assert overlap(cycles[1], 1200 + length_s(one) + apart_s, 1200 + 2 * length_s(one) + apart_s) > 0.99


@pytest.mark.parametrize("apart_s", [40, 300, 2000])
@pytest.mark.parametrize(("steps"), [washer(), dryer()], ids=["washer", "dryer"])
def test_two_programmes_forty_seconds_apart_are_two(steps: list, apart_s: float) -> None:
    cycles = cycles_of(draw([*idle(1200), *steps, *idle(apart_s), *steps, *idle(4000)]))
    assert len(cycles) == 2
    assert overlap(cycles[0], 1200, 1200 + length_s(steps)) > 0.97
    assert overlap(cycles[1], 1200 + length_s(steps) + apart_s, 1200 + 2 * length_s(steps) + apart_s) > 0.97


def test_a_door_opened_in_a_dryer_does_not_part_its_cycle() -> None:
    heat = [(170, 2500.0), (25, 200.0)] * 3
    steps = [*heat, (90, 0.4), *heat, *heat, (500, 205.0)]
    assert len(cycles_of(draw([*idle(900), *steps, *idle(2000)]), machine_of("tumble_dryer"))) == 1


def test_anti_crease_tumbling_is_reported_as_waiting() -> None:
    (cycle,) = cycles_of(draw([*idle(900), *dryer(), *idle(2000)]))
    assert [p.stage for p in cycle.phases] == ["heat", "cool", "wait"]


def test_the_washers_stages() -> None:
    (cycle,) = cycles_of(draw([*idle(900), *washer(), *idle(2000)]))
    assert [p.stage for p in cycle.phases] == [
        "fill", "wash", "heat", "wash", "drain", "spin", "rinse", "drain", "spin", "rinse", "drain", "spin", "wait",
    ]  # fmt: skip


def test_the_dishwashers_stages() -> None:
    (cycle,) = cycles_of(draw([*idle(900), *dishwasher(), *idle(4000)]))
    stages = [p.stage for p in cycle.phases]
    assert stages[:4] == ["fill", "wash", "heat", "wash"]
    assert stages[-4:] == ["heat", "drain", "dry", "drain"]
    assert all(p.id is None for p in cycle.phases)
    for earlier, later in zip(cycle.phases, cycle.phases[1:], strict=False):
        assert earlier.end_ms == later.start_ms
    assert cycle.energy_kwh == pytest.approx(sum(p.energy_kwh or 0 for p in cycle.phases), rel=0.01)


def test_energy_is_what_was_drawn() -> None:
    steps = dishwasher()
    (cycle,) = cycles_of(draw([*idle(900), *steps, *idle(4000)]))
    assert cycle.energy_kwh == pytest.approx(sum(s * w for s, w in steps) / 3.6e6, rel=0.003)


def test_spikes_and_a_high_standby_invent_nothing() -> None:
    series = draw([*idle(4000, 8.0), (1, 900.0), *idle(4000, 8.0), (1, 60.0), *idle(3000, 8.0)])
    assert cycles_of(series) == []
    series = draw([*idle(1000), (40, 26.0), *idle(4000)])  # a leak guard's pump, once
    assert cycles_of(series) == []


def test_spikes_do_not_move_the_ends() -> None:
    steps = dishwasher()
    series = draw([*idle(900), *steps, *idle(6000)])
    end = int(900 + length_s(steps))
    for at in (300, end + 700, end + 1500):
        series.power_w[at] = 4000.0
    (cycle,) = cycles_of(series)
    assert overlap(cycle, 900, end) > 0.995


@pytest.mark.parametrize("missing_s", [60, 390, 576])
@pytest.mark.parametrize("at", [0.15, 0.5, 0.75])
@pytest.mark.parametrize("steps", [dishwasher(), washer(), dryer()], ids=["dishwasher", "washer", "dryer"])
def test_gaps_do_not_split(steps: list, at: float, missing_s: int) -> None:
    series = draw([*idle(900), *steps, *idle(4000)])
    first = int(900 + at * length_s(steps))
    keep = np.r_[0:first, first + missing_s : len(series)]
    cut = Series(at_ms=series.at_ms[keep], power_w=series.power_w[keep])
    (cycle,) = cycles_of(cut)
    assert overlap(cycle, 900, 900 + length_s(steps)) > 0.975


def test_a_log_that_ends_within() -> None:
    series = draw([*idle(900), *washer()])
    for share in (0.3, 0.6, 0.9):
        cut = series.slice(0, int(900 + share * length_s(washer())))
        (cycle,) = cycles_of(cut)
        assert cycle.outcome == "running"
        assert cycle.end_ms == int(cut.at_ms[-1])


def test_a_pause_by_hand_does_not_part_an_unfinished_wash() -> None:
    steps = [(70, 10.0), *strokes(300, 180), (400, 2100.0), (600, 3.0), *washer()[2:]]
    assert len(cycles_of(draw([*idle(900), *steps, *idle(2000)]), machine_of("washing_machine"))) == 1


@pytest.fixture(scope="module")
def two_cycles() -> tuple[Series, list]:
    series = draw([*idle(300), *dishwasher(), *idle(41), *dishwasher()[:6], *idle(3000)], interval_s=3.0)
    whole = Assessor(None)
    return series, last_known(whole.feed_series(series) + whole.finish())[0]


@settings(max_examples=15, deadline=None)
@given(cuts=st.lists(st.integers(0, 2600), max_size=6), saved=st.booleans())
def test_however_cut_and_resumed_the_answer_is_the_same(two_cycles, cuts: list[int], saved: bool) -> None:
    series, expected = two_cycles
    assessor, events, at = Assessor(None), [], 0
    for cut in sorted({*cuts, len(series)}):
        events += assessor.feed_series(series.slice(at, cut))
        at = cut
        if saved:
            state = json.loads(json.dumps(assessor.save()))
            assessor = Assessor.restore(None, None, None, state)
    events += assessor.finish()
    assert last_known(events)[0] == expected


def test_one_by_one_is_the_same_as_at_once(two_cycles) -> None:
    series, expected = two_cycles
    assessor = Assessor(None)
    events = [event for reading in series.readings() for event in assessor.feed(reading)]
    assert last_known(events + assessor.finish())[0] == expected


def test_the_state_stays_small() -> None:
    assessor = Assessor(None)
    series = draw([*idle(300), *[step for _ in range(40) for step in washer()[2:60]]], interval_s=2.0)
    assessor.feed_series(series)
    assert len(json.dumps(assessor.save())) < 60_000


@pytest.mark.parametrize("name", ["washer-healthy", "dishwasher-healthy", "dryer-healthy", "washer-slow-tap"])
@pytest.mark.parametrize("plates", [True, False])
def test_replay_logs_without_their_charts(name: str, plates: bool) -> None:
    """Against the simulator's truth, which knows what its machine did."""
    truth = json.loads((ROOT / "replay_logs" / f"{name}.truth.json").read_text())
    machine = None
    if plates:
        text = (ROOT / "config" / "machines" / Path(truth["machine_file"]).name).read_text()
        machine = parse_machine(text, name).model_copy(update={"programmes": ()})
    (log,) = (ROOT / "replay_logs").glob(f"{name}.csv*")
    cycles = cycles_of(read_log(log).series, machine)
    assert len(cycles) == len(truth["cycles"])
    for cycle, true in zip(cycles, truth["cycles"], strict=True):
        start, end = (datetime.fromisoformat(true[k]).timestamp() - START_MS / 1000 for k in ("start", "end"))
        assert overlap(cycle, start, end) >= 0.95
