"""Comparing two cycles: what differs is said, what is not known is not made up, like is laid on like."""

from __future__ import annotations

from itertools import pairwise

import pytest
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st
from loadbook.events import Cycle, Phase
from loadbook.reading import Reading, series_of
from loadbook.recognise.compare import Measured, PhaseCompared
from loadbook_dashboard.pages.compare import covers, difference, pairs
from seeded import played
from test_pages import text_of


def test_a_weaker_heater_is_said_in_words(client: FlaskClient) -> None:
    said = text_of(client, "/machines/quay-dryer-3/compare")
    # the seeded earlier cycle drew 80 % of the later one's watts
    assert "differ beyond the normal spread" in said or "differs beyond the normal spread" in said
    assert "Drying drew 2 4" in said
    assert "25 % more" in said


def test_a_cycle_held_against_itself_does_not_differ(client: FlaskClient) -> None:
    key = client.get("/api/machines/quay-dryer-3/cycles?limit=1").get_json()["cycles"][0]["key_ms"]
    assert "Nothing differs" in text_of(client, f"/machines/quay-dryer-3/compare?a={key}&b={key}")


def test_without_readings_only_time_and_energy_are_compared(client: FlaskClient) -> None:
    rows = client.get("/api/machines/quay-washer-1/cycles?limit=4").get_json()["cycles"]
    said = text_of(client, f"/machines/quay-washer-1/compare?a={rows[2]['key_ms']}&b={rows[1]['key_ms']}")
    assert "no longer kept" in said
    assert "drew" not in said.split("Phase by phase")[0]


def test_a_cycle_that_is_not_there_is_said(client: FlaskClient) -> None:
    path = "/machines/quay-dryer-3/compare"
    assert client.get(f"{path}?a=many").status_code == 400
    assert "There is nothing here" in text_of(client, f"{path}?b=17", 404)


def test_differences_are_whole_sentences() -> None:
    row = PhaseCompared("heat", "heat", {"time_s": Measured(600, 1, 0)}, {"time_s": Measured(1200, 1, 0)}, 1, 1)
    assert difference("Heat", row) == ["Heat took 20\u202fmin, in the first 10\u202fmin: 100\u202f% longer."]
    assert difference("Heat", PhaseCompared("heat", "heat", a_cycles=1)) == ["Heat is only in the first cycle."]


def test_phases_are_paired_by_their_ids() -> None:
    cycle = played("washer-healthy", 1_000_000).cycle()
    found = pairs(cycle, cycle)
    assert len(found) == len(cycle.phases)
    assert all(a0 == b0 and a1 == b1 for a0, a1, b0, b1 in found)


@given(st.lists(st.sampled_from(["fill", "wash", "rinse", "spin"]), min_size=1, max_size=12), st.integers(0, 4000))
def test_pairs_never_run_backwards(stages: list[str], shift: int) -> None:
    def made(start: int, names: list[str]) -> Cycle:
        phases = [Phase(None, s, start + i * 1000, start + i * 1000 + 1000) for i, s in enumerate(names)]
        return Cycle(start, start, start + len(names) * 1000, phases=phases)

    found = pairs(made(0, stages), made(shift, stages[::-1] + stages))
    assert all(x[3] <= y[2] and x[1] <= y[0] for x, y in pairwise(found))


@pytest.mark.parametrize(("every_s", "enough"), [(1, True), (9, True), (40, False)])
def test_a_cycle_read_too_thinly_is_not_measured(every_s: int, enough: bool) -> None:
    cycle = Cycle(0, 0, 3_600_000)
    series = series_of([Reading(s * 1000, power_w=5.0) for s in range(0, 3600, every_s)])
    assert covers(series, cycle) is enough
