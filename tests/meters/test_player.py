"""A log played by a simulated meter: over and over, with its counter going on."""

from __future__ import annotations

import numpy as np
import pytest
from loadbook.clock import Clock
from loadbook.counter import compare
from loadbook.energy import steps_wh
from loadbook.meters.simulated import Player
from loadbook.reading import Series

N = 600


class SetClock(Clock):
    """A clock that stands where it is set."""

    at_ms = 5_000

    def mono_ms(self) -> int:
        return self.at_ms


@pytest.mark.parametrize("loop", [True, False])
def test_a_log_that_begins_anew_counts_on(loop):
    at_ms = np.arange(N, dtype=np.int64) * 1000
    log = Series(at_ms=at_ms, power_w=np.full(N, 1800.0), energy_wh=1200.0 + np.floor(at_ms / 2000))
    clock = SetClock()
    player = Player(log, clock, loop=loop)
    read = []
    for at in range(0, 5 * N * 1000, 1000):
        clock.at_ms = 5_000 + at
        if (stands := player.stands()) is not None:
            read.append((at, *(player.values(*stands)[name] for name in ("power_w", "energy_wh"))))
    times, powers, counters = (np.array(column) for column in zip(*read, strict=True))
    seen = Series(at_ms=times.astype(np.int64), power_w=powers, energy_wh=counters)
    assert len(read) == (5 * N if loop else N + 10)
    assert (np.diff(counters) >= 0).all()
    assert compare(seen).resets == 0
    if loop:  # a statement sets these two beside each other
        assert steps_wh(seen).sum() == pytest.approx(counters[-1] - counters[0], rel=0.005)
