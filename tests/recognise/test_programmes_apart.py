"""Without a chart: where one programme ends and the next begins, told by what is drawn around the quiet between them.

Hand-drawn logs (see drawn.py): common practice of the trade, no source.
"""

from __future__ import annotations

import pytest
from drawn import ON_W, Step, cycles_of, dishwasher, draw, idle, length_s, overlap, strokes


def short_dishwasher() -> list[Step]:
    """Nothing dried: it pumps its hot rinse out and stops."""
    return [*dishwasher()[:-3], (120, 90), (28, ON_W + 35)]


def cooled_twice() -> list[Step]:
    """A dryer that cools, finds the load damp and heats again, the drum turning on throughout."""
    heat: list[Step] = [(170, 2500), (25, 200)] * 4
    return [(8, 240), *heat, (300, 240), *heat, (280, 240)]


def pumps_first() -> list[Step]:
    """A washer that pumps for a moment, turns its drum while it fills, and spins once at its end."""
    heat: list[Step] = [(12, 2180), (7, 2000)] * 40
    spin: list[Step] = [(70, 26), (20, 330), (400, 500), (12, 24)]
    return [(15, 27), (2, ON_W), *strokes(150, 140, floor_w=12), *heat, *strokes(700, 170), *spin]


def in_a_row(steps: list[Step], apart_s: float, after_s: float = 4000) -> None:
    ends_s = 1200 + length_s(steps)
    quiet = (idle(s, ON_W) for s in (1200, apart_s, after_s))  # off draws as much as a pause
    cycles = cycles_of(draw([*next(quiet), *steps, *next(quiet), *steps, *next(quiet)]))
    assert len(cycles) == 2
    assert overlap(cycles[0], 1200, ends_s) > 0.985
    assert overlap(cycles[1], ends_s + apart_s, ends_s + apart_s + length_s(steps)) > 0.985


@pytest.mark.parametrize("apart_s", [40, 90])
def test_a_dishwasher_that_does_not_dry_and_begins_again(apart_s: float) -> None:
    in_a_row(short_dishwasher(), apart_s)


def test_a_dishwasher_whose_rinse_went_on_after_its_heat_has_drained_and_begins_again() -> None:
    steps = dishwasher()
    in_a_row([*steps[:-3], (125, 110), *steps[-3:-1], (12, ON_W + 25)], 42)


def test_between_two_rinses_a_dishwasher_may_rest_before_it_drains() -> None:
    steps = dishwasher()
    rested = [*steps[:5], (50, ON_W), *steps[5:]]
    (cycle,) = cycles_of(draw([*idle(1200), *rested, *idle(4000)]))
    assert overlap(cycle, 1200, 1200 + length_s(rested)) > 0.995


def test_a_washer_that_pumps_for_a_moment_before_its_drum_turns_begins_anew() -> None:
    in_a_row(pumps_first(), 42)


@pytest.mark.parametrize("apart_s", [40, 300])
def test_a_dryer_that_cools_and_heats_again_is_one_cycle_of_a_dryer(apart_s: float) -> None:
    in_a_row(cooled_twice(), apart_s)
    (cycle,) = cycles_of(draw([*idle(1200), *cooled_twice(), *idle(4000)]))
    assert {p.stage for p in cycle.phases} <= {"heat", "dry", "cool", "wait"}


@pytest.mark.parametrize("after_s", [70, 420, 1800])
def test_a_log_that_ends_soon_after_a_programme_ends_it_at_its_last_draw(after_s: float) -> None:
    steps = short_dishwasher()
    (cycle,) = cycles_of(draw([*idle(1200), *steps, *idle(after_s)]))
    assert cycle.outcome == "completed"
    assert overlap(cycle, 1200, 1200 + length_s(steps)) > 0.995


@pytest.mark.parametrize("after_s", [30, 70, 4000])
@pytest.mark.parametrize("drain_s", [6, 10, 14])
def test_a_short_last_drain_long_after_all_seemed_over_belongs_to_its_cycle(drain_s: float, after_s: float) -> None:
    steps = dishwasher()
    steps = [*steps[:-3], (150, 110), (30, ON_W + 25), (1210, ON_W), (drain_s, ON_W + 25)]
    (cycle,) = cycles_of(draw([*idle(1200, ON_W), *steps, *idle(after_s, ON_W)]))
    assert overlap(cycle, 1200, 1200 + length_s(steps)) > (0.99 if after_s > 60 else 0.98)


def test_a_spike_after_a_cycle_does_not_make_it_go_on() -> None:
    steps = [*dishwasher()[:-3], (150, 110), (30, ON_W + 25)]
    (cycle,) = cycles_of(draw([*idle(1200, ON_W), *steps, *idle(1210, ON_W), (2, 900), *idle(900, ON_W)]))
    assert overlap(cycle, 1200, 1200 + length_s(steps)) > 0.995
