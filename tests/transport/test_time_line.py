"""Stamps: never backwards, never the same twice, durations from the monotonic clock, whatever the wall clock does."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.transport.time_line import FAR_MS, TimeLine

WALL = 1_790_000_000_000
YEARS_3_MS = 3 * 365 * 86_400_000


class Board:
    """A board's clocks and what is in the store: stamps, moved when the time line says so."""

    def __init__(self) -> None:
        self.mono_ms, self.wall_ms, self.is_set = 5_000, WALL, False
        self.saved, self.boot = None, "boot-1"
        self.line = TimeLine(self.boot)
        self.stored: list[int] = []
        self.meant: list[int] = []
        """The monotonic time of each, over boots."""
        self.steps = 0
        self.off_ms = 0

    def read(self, n: int = 1, every_ms: int = 1000) -> None:
        for _ in range(n):
            self.mono_ms += every_ms
            self.wall_ms += every_ms
            at_ms, step = self.line.stamp(self.mono_ms, self.wall_ms, self.is_set)
            if step is not None:
                self.steps += 1
                self.stored = [t + step.by_ms if t >= step.from_ms else t for t in self.stored]
            self.stored.append(at_ms)
            self.meant.append(self.mono_ms + self.off_ms)

    def restart(self) -> None:
        self.line = TimeLine(self.boot, self.line.save())

    def reboot(self, off_ms: int, wall_ms: int, is_set: bool) -> None:
        saved = self.line.save()
        self.boot += "+"
        self.off_ms += self.mono_ms + off_ms
        self.mono_ms, self.wall_ms, self.is_set = 0, wall_ms, is_set
        self.line = TimeLine(self.boot, saved)

    def rising(self) -> bool:
        return all(a < b for a, b in zip(self.stored, self.stored[1:], strict=False))

    def longest_distance_error(self) -> float:
        pairs = zip(self.stored, self.stored[1:], self.meant, self.meant[1:], strict=False)
        return max((abs((b - a) - (d - c)) for a, b, c, d in pairs), default=0)


def test_three_years_forward_and_two_minutes_back_leave_one_line():
    board = Board()
    board.read(1000)
    board.wall_ms += YEARS_3_MS
    board.is_set = True
    board.read(1000)
    assert abs(board.stored[0] - (WALL + YEARS_3_MS + 1000)) < 2000
    board.wall_ms -= 120_000
    board.read(1000)
    assert board.steps == 1  # the second is followed slowly
    assert board.rising()
    assert board.longest_distance_error() <= 3
    assert abs((board.stored[-1] - board.stored[0]) - 2_999_000) <= 2_999_000 * 0.0005 + 1


def test_a_clock_never_known_to_be_right_moves_both_ways():
    board = Board()
    board.read(600)
    board.wall_ms += YEARS_3_MS
    board.read(600)
    board.wall_ms -= 120_000
    board.read(600)
    assert board.steps == 2
    assert board.rising()
    assert board.stored[-1] == board.wall_ms
    assert board.longest_distance_error() == 0


def test_it_never_overtakes_what_was_settled():
    board = Board()
    board.is_set = True
    board.read(100)
    board.is_set = False
    board.read(100)
    board.wall_ms -= 3_600_000
    board.read(100)
    assert board.rising()
    assert board.stored[99] == WALL + 100_000


def test_a_slow_step_is_caught_up_with_in_the_end():
    board = Board()
    board.is_set = True
    board.read(10)
    board.wall_ms -= 60_000
    board.read(40_000, every_ms=10_000)
    assert board.rising()
    assert abs(board.stored[-1] - board.wall_ms) < 1000
    assert board.longest_distance_error() <= 10_000 * 3 * 0.0005 + 1


def test_one_odd_look_at_the_clock_moves_nothing():
    board = Board()
    board.read(10)
    board.wall_ms += 50_000
    board.read(2)
    board.wall_ms -= 50_000
    board.read(10)
    assert board.steps == 0
    assert board.longest_distance_error() == 0


def test_a_restart_on_the_same_boot_goes_on():
    board = Board()
    board.read(100)
    board.restart()
    board.read(10)
    board.wall_ms += YEARS_3_MS
    board.is_set = True
    board.read(10)
    assert board.steps == 1
    assert board.longest_distance_error() == 0


@pytest.mark.parametrize("behind_ms", [3_600_000, 30_000, 1])
def test_a_boot_whose_clock_is_behind_begins_after_what_was_stamped(behind_ms):
    board = Board()
    board.is_set = True
    board.read(100)
    board.reboot(20_000, WALL + 100_000 - behind_ms, False)
    board.read(100)
    assert board.rising()
    board.wall_ms = WALL + 100_000 + 20_000 + 100_000
    board.is_set = True
    board.read(100)
    assert board.rising()
    assert abs(board.stored[-1] - board.wall_ms) < 2000


def test_a_clock_in_1970():
    board = Board()
    board.wall_ms = 17_000
    board.read(10)
    assert board.rising()
    board.wall_ms = WALL
    board.is_set = True
    board.read(10)
    assert board.rising()
    assert board.stored[-1] == board.wall_ms


HAPPENINGS = st.one_of(
    st.tuples(st.just("read"), st.integers(1, 400)),
    st.tuples(st.just("step"), st.integers(-10 * FAR_MS, 10 * FAR_MS)),
    st.tuples(st.just("step"), st.sampled_from([YEARS_3_MS, -YEARS_3_MS, -120_000, 90_000, 700, -700])),
    st.tuples(st.just("set"), st.booleans()),
    st.tuples(st.just("restart"), st.just(0)),
    st.tuples(st.just("reboot"), st.integers(0, 10**7)),
)


@given(happenings=st.lists(HAPPENINGS, max_size=14))
@settings(max_examples=150, deadline=None)
def test_whatever_happens_time_runs_forward_and_keeps_its_distances(happenings):
    board = Board()
    board.read(5)
    for what, value in happenings:
        if what == "read":
            board.read(value)
        elif what == "step":
            board.wall_ms += value
        elif what == "set":
            board.is_set = value
        elif what == "restart":
            board.restart()
        else:
            board.reboot(value, board.wall_ms - value // 2, False)
            board.read(5)
    assert board.rising()
    assert len(set(board.stored)) == len(board.stored)
