"""A machine in a few words: what is said when the ledger's word is older than the last reading."""

from __future__ import annotations

import pytest
from loadbook.events import Cycle
from loadbook.reading import Reading
from loadbook_dashboard.glance import state_now
from loadbook_dashboard.parts import Parts
from seeded import NOW_MS

MINUTE_MS = 60_000


@pytest.mark.parametrize(
    ("state", "since", "heard", "outcome", "expected"),
    [
        ("silent", NOW_MS - 7 * MINUTE_MS, NOW_MS - 7 * MINUTE_MS, None, "silent"),
        ("silent", NOW_MS - 7 * MINUTE_MS, NOW_MS - 1000, None, "idle"),
        ("silent", NOW_MS - 7 * MINUTE_MS, NOW_MS - 1000, "running", "running"),
        ("silent", NOW_MS - 7 * MINUTE_MS, NOW_MS - 1000, "completed", "idle"),
        ("silent", None, None, None, "silent"),
        ("silent", None, NOW_MS - 1000, None, "idle"),
        ("silent", NOW_MS - 9 * MINUTE_MS, NOW_MS - 2 * MINUTE_MS, None, "silent"),
        ("running", NOW_MS - 9 * MINUTE_MS, NOW_MS - 1000, "running", "running"),
    ],
)
def test_a_meter_that_is_heard_again_is_not_called_silent(
    parts: Parts, state: str, since: int | None, heard: int | None, outcome: str | None, expected: str
) -> None:
    machine = parts.queries.machine("pier-washer-4")
    assert machine is not None
    machine.state, machine.state_since_ms, machine.last_reading_ms = state, since, heard
    cycle = None if outcome is None else Cycle(1, 1, 2, outcome=outcome)  # type: ignore[arg-type]
    assert state_now(machine, cycle, NOW_MS)[0] == expected


def test_a_reading_on_the_air_counts_as_heard(parts: Parts) -> None:
    rows = {g.id: g.state for g in parts.glances()}
    assert rows["pier-washer-4"] == "silent"
    parts.hub.reading("m4", Reading(NOW_MS - 500, power_w=1.1))
    rows = {g.id: g.state for g in parts.glances()}
    assert rows["pier-washer-4"] in ("idle", "finished")
