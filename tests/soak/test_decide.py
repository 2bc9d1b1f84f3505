"""The decision rule, against published figures: ILAC-G8:09/2019 and JCGM 106:2012 (read in an earlier collection)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from loadbook.soak.decide import (
    Accuracy,
    Bounds,
    Finding,
    decide,
    deviation_sentence,
    success_lower_bound,
    worst,
    worst_case_false_accept,
)

BAND = Bounds(1850.0, 2050.0)


@pytest.mark.parametrize(
    ("guard_band_in_u", "risk", "tolerance"),
    # ILAC-G8:09/2019, table 1: simple acceptance 50 %, w = U 2.5 % (k = 2); w = 0.83 U 5 % (95 % one-sided).
    [(0.0, 0.50, 0.0005), (1.0, 0.025, 0.0025), (0.83, 0.05, 0.002)],
)
def test_worst_case_false_accept(guard_band_in_u: float, risk: float, tolerance: float) -> None:
    assert worst_case_false_accept(guard_band_in_u) == pytest.approx(risk, abs=tolerance)


@pytest.mark.parametrize(
    ("class_percent", "zone_left"),
    # Worked example for limits 1850 to 2050 W at about 1950 W: arithmetic from the class alone.
    [(1.0, 0.80), (2.0, 0.61), (3.0, 0.415), (5.0, 0.025)],
)
def test_zone_of_acceptance(class_percent: float, zone_left: float) -> None:
    assert BAND.zone_left(Accuracy(class_percent)) == pytest.approx(zone_left, abs=0.006)


@pytest.mark.parametrize(("n", "bound"), [(3, 0.37), (6, 0.61), (10, 0.74), (30, 0.90)])
def test_lower_bound_of_success(n: int, bound: float) -> None:
    # Exact (Clopper-Pearson) one-sided bound for n of n, arithmetic: 0.05 ** (1 / n).
    assert success_lower_bound(n) == pytest.approx(bound, abs=0.006)


@pytest.mark.parametrize(
    ("value_w", "finding"),
    [
        (1948.0, Finding.MET),
        (1889.0, Finding.MET),
        (1880.0, Finding.UNDECIDED),
        (1815.0, Finding.UNDECIDED),
        (1810.0, Finding.NOT_MET),
        (2095.0, Finding.NOT_MET),
    ],
)
def test_a_meter_of_class_2(value_w: float, finding: Finding) -> None:
    assert decide(value_w, BAND, Accuracy(2.0)) is finding


def test_what_cannot_be_assessed_is_said() -> None:
    assert decide(None, BAND, Accuracy(1.0)) is Finding.NOT_ASSESSED
    assert decide(1950.0, BAND, None) is Finding.NOT_ASSESSED
    assert decide(1950.0, Bounds(), Accuracy(1.0)) is Finding.NOT_ASSESSED


def test_limits_a_meter_cannot_decide_are_named() -> None:
    assert Bounds(1850, 2050).undecidable(Accuracy(1.0)) is None
    why = Bounds(1900, 2000).undecidable(Accuracy(5.0))
    assert why is not None
    assert "1900 to 2000" in why


@given(value=st.floats(0, 5000), low=st.floats(1, 2000), width=st.floats(0, 2000), percent=st.floats(0.1, 5))
def test_undecidable_limits_are_never_met(value: float, low: float, width: float, percent: float) -> None:
    limits, accuracy = Bounds(low, low + width), Accuracy(percent)
    if limits.undecidable(accuracy):
        zone = [(low + width / 2) * (1 + step / 1000) for step in range(-3, 4)]
        assert Finding.MET not in {decide(v, limits, accuracy) for v in [value, *zone]}


@given(value=st.floats(-5000, 5000), percent=st.floats(0.1, 5), high=st.floats(0, 4000))
def test_a_better_meter_never_turns_met_into_not_met(value: float, percent: float, high: float) -> None:
    coarse, fine = (
        decide(value, Bounds(high=high), Accuracy(percent)),
        decide(value, Bounds(high=high), Accuracy(percent / 2)),
    )
    assert (coarse, fine) not in {(Finding.MET, Finding.NOT_MET), (Finding.NOT_MET, Finding.MET)}


def test_the_worst_finding_stands() -> None:
    assert worst([Finding.MET, Finding.UNDECIDED]) is Finding.UNDECIDED
    assert worst([Finding.UNDECIDED, Finding.NOT_ASSESSED]) is Finding.NOT_ASSESSED
    assert worst([Finding.NOT_ASSESSED, Finding.NOT_MET]) is Finding.NOT_MET
    assert worst([]) is Finding.NOT_ASSESSED


def test_the_sentence_claims_no_more_than_it_may() -> None:
    sentence = deviation_sentence(6, 6)
    assert sentence.startswith("No deviation in 6 of 6 cycles.")
    assert "61 %" in sentence
    assert "safe " not in sentence
    assert "repaired" not in sentence
    assert deviation_sentence(5, 6) == "A deviation in 1 of 6 cycles."
