"""Means of the supply taken by columns say and keep the same as reading by reading."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from loadbook.judge.limits import Limits
from loadbook.judge.supply import Breach, RunningMean, frequency_mean, voltage_mean

Spell = tuple[int, int, int]


def one_by_one(mean: RunningMean, at_ms: list[int], volts_mv: list[int]) -> list[Breach]:
    found = (mean.add(at, value, 1) for at, value in zip(at_ms, volts_mv, strict=True))
    return [breach for breach in found if breach is not None]


spells = st.lists(
    st.tuples(st.integers(1, 900), st.integers(200, 262), st.sampled_from([0, 0, 0, 30, 700])), min_size=1, max_size=8
)
"""(readings, volts, seconds of silence before), one after the other."""


@given(spells, st.lists(st.integers(1, 1500), max_size=6), st.integers(0, 20_000))
def test_columns_and_single_readings_agree(parts: list[Spell], cuts: list[int], start_ms: int) -> None:
    at_ms, volts_mv, now_ms = [], [], start_ms
    for n, volts, silence_s in parts:
        now_ms += silence_s * 1000
        for k in range(n):
            now_ms += 1000
            at_ms.append(now_ms)
            volts_mv.append(volts * 1000 + k % 7)
    whole, single = voltage_mean(Limits()), voltage_mean(Limits())
    said: list[Breach] = []
    edges = sorted({0, *(c for c in cuts if c < len(at_ms)), len(at_ms)})
    for first, last in pairwise(edges):
        said += whole.add_column(np.array(at_ms[first:last]), np.array(volts_mv[first:last]))
    assert said == one_by_one(single, at_ms, volts_mv)
    assert whole.save() == single.save()


def test_the_limits_that_are_told_have_no_dust_of_arithmetic() -> None:
    volts, hertz = voltage_mean(Limits()), frequency_mean(Limits(), 50.0)
    assert (volts.low, volts.high, hertz.low, hertz.high) == (207.0, 253.0, 49.5, 50.5)
