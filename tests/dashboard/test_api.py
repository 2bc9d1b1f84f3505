"""The JSON: the contract's form, and traces that lose no spike."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st
from loadbook.reading import Reading, Series, series_of
from loadbook.store.readings import Envelope
from loadbook_dashboard.parts import Parts
from loadbook_dashboard.trace import grid, trace
from seeded import NOW_MS

CYCLE_KEYS = "start end programme outcome energy_kwh cost currency peak_w standby_w phases verdict"
ALERT_KEYS = "kind cycle phase component began_at raised_at cleared_at measured low high unit causes"
PHASE_KEYS = "id stage start end power_w energy_kwh on verdict"


def test_cycles_and_alerts_have_the_contracts_form(client: FlaskClient) -> None:
    body = client.get("/api/machines/harbour-dish-2/cycles?limit=3").get_json()
    assert len(body["cycles"]) == 3
    cycle, alert = body["cycles"][0], body["alerts"][0]
    assert set(cycle) >= set(CYCLE_KEYS.split())
    assert set(alert) >= set(ALERT_KEYS.split())
    assert all(set(p) == set(PHASE_KEYS.split()) for p in cycle["phases"])
    assert cycle["outcome"] == "running"
    assert alert["cycle"] == 0
    assert alert["causes"][0].keys() >= {"cause", "because", "check"}
    assert alert["began_at"].endswith("Z")
    assert body["verdict"] == "attention"
    one = client.get(f"/api/machines/harbour-dish-2/cycles/{cycle['key_ms']}").get_json()
    assert one["cycles"] == [cycle]


def test_machines_say_state_and_need(client: FlaskClient) -> None:
    rows = {m["id"]: m for m in client.get("/api/machines").get_json()["machines"]}
    assert rows["quay-washer-1"]["state"] == "running"
    assert rows["quay-washer-1"]["needs_somebody"] is False
    assert rows["pier-washer-4"]["state"] == "silent"
    assert rows["harbour-dish-2"]["needs_somebody"] is True


def test_a_trace_has_every_reading_when_there_is_room(client: FlaskClient) -> None:
    span = f"from_ms={NOW_MS - 600_000}&to_ms={NOW_MS}"
    body = client.get(f"/api/machines/quay-washer-1/trace?{span}&columns=800").get_json()
    assert body["step_ms"] == 0
    assert len(body["at_ms"]) >= 590
    assert len(body["power_w"]["min"]) == len(body["at_ms"])
    assert client.get("/api/machines/quay-washer-1/trace?from_ms=5&to_ms=4").status_code == 400
    assert client.get("/api/machines/quay-washer-1/trace?columns=many").status_code == 400


def test_the_right_edge_comes_from_what_the_store_has_not_got_yet(client: FlaskClient, parts: Parts) -> None:
    parts.hub.reading("m1", Reading(NOW_MS + 1000, power_w=777.0))
    span = f"from_ms={NOW_MS - 60_000}&to_ms={NOW_MS + 2000}"
    body = client.get(f"/api/machines/quay-washer-1/trace?{span}").get_json()
    assert body["at_ms"][-1] == NOW_MS + 1000
    assert body["power_w"]["min"][-1] == 777.0


def test_the_timeline_lays_phases_and_pins(client: FlaskClient) -> None:
    key = client.get("/api/machines/harbour-dish-2/cycles?limit=1").get_json()["cycles"][0]["key_ms"]
    body = client.get(f"/api/machines/harbour-dish-2/timeline?cycle={key}").get_json()
    names = [(p["number"], p["name"]) for p in body["phases"]]
    assert names[:4] == [(1, "First drain"), (2, "Fill"), (3, "Pre wash"), (4, "Main heat")]
    assert body["phases"][-1]["end_ms"] is None
    assert body["phases"][3]["min_s"] == 300.0
    pin = body["pins"][0]
    assert pin["letter"] == "A"
    assert pin["at_ms"] == body["phases"][3]["start_ms"]
    assert pin["title"] == "Heater draws too little"


class Listed:
    """A store of one meter in a list, that slices as the real one does."""

    def __init__(self, series: Series) -> None:
        self.all = series

    def series(self, meter: str, start_ms: int, end_ms: int, quantities: object = ()) -> Series:
        first, last = np.searchsorted(self.all.at_ms, [start_ms, end_ms])
        return self.all.slice(int(first), int(last))

    def envelope(self, meter: str, start_ms: int, end_ms: int, columns: int, quantity: str = "power_w") -> Envelope:
        low, high = grid(self.all, quantity, start_ms, end_ms, columns)
        return Envelope(start_ms, end_ms, quantity, low, low, high, np.zeros(columns, dtype=np.int64))


@given(
    spikes=st.lists(st.integers(0, 28_799), min_size=1, max_size=20, unique=True),
    columns=st.sampled_from([300, 900, 1900]),
    stored=st.integers(28_700, 28_800),
)
def test_no_spike_of_one_reading_is_lost(spikes: list[int], columns: int, stored: int) -> None:
    rows = [Reading(i * 1000, power_w=100.0) for i in range(28_800)]
    for n, at in enumerate(sorted(spikes)):
        rows[at] = Reading(at * 1000, power_w=1000.0 + n)
    recent = series_of(rows[28_620:])
    drawn = trace(Listed(series_of(rows[:stored])), recent, "m", start_ms=0, end_ms=28_800_000, columns=columns)
    highest = drawn["power_w"]["max"]
    slots = {at * 1000 * columns // 28_800_000 for at in spikes}
    for slot in slots:
        expected = max(1000.0 + n for n, at in enumerate(sorted(spikes)) if at * 1000 * columns // 28_800_000 == slot)
        assert highest[slot] == expected


@given(gap_s=st.integers(1, 60), columns=st.sampled_from([60, 200, 900, 3000]))
def test_a_gap_of_more_than_ten_seconds_breaks_the_line(gap_s: int, columns: int) -> None:
    rows = [Reading(i * 1000, power_w=50.0) for i in range(600)]
    rows += [Reading((599 + gap_s) * 1000 + i * 1000, power_w=60.0) for i in range(600)]
    end_ms = rows[-1].at_ms + 1000
    drawn = trace(Listed(series_of(rows)), series_of([]), "m", start_ms=0, end_ms=end_ms, columns=columns)
    broken = None in drawn["power_w"]["min"]
    slice_ms = drawn["step_ms"]
    if gap_s > 10 and slice_ms == 0:
        assert broken
    if gap_s <= 10:
        assert not broken
    if gap_s * 1000 > 10_000 + 2 * slice_ms:
        assert broken


def test_nothing_read_draws_nothing() -> None:
    drawn = trace(Listed(series_of([])), series_of([]), "m", start_ms=0, end_ms=1_000_000, columns=100)
    assert drawn["at_ms"] == []
    assert drawn["power_w"] is None


@pytest.mark.parametrize("name", ["package.json", "axe.min.js"])
def test_the_dashboard_ships_no_foreign_script(name: str) -> None:
    root = Path(__file__).resolve().parents[2]
    assert not list((root / "dashboard").rglob(name))
    assert "uplot-python" in json.dumps(tomllib.loads((root / "pyproject.toml").read_text())["project"]["dependencies"])
