"""What one part does wrong in phase after phase of a cycle calls once, and is marked as seen once."""

from __future__ import annotations

from itertools import chain
from pathlib import Path

from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st
from loadbook.events import Alert
from loadbook_dashboard.matters import matters
from loadbook_dashboard.parts import Parts
from loadbook_dashboard.queries import KnownAlert
from seeded import NOW_MS, Seed
from test_pages import text_of, token

PHASES = ("drain-1", "rinse-fill", "rinse", "drain-2")

alerts = st.builds(
    lambda n, cycle, kind, part, over, seen: KnownAlert(
        n, "quay-washer-1", Alert(kind, n, n, over, cycle, "wash", part), "mixed-40", seen, None
    ),
    st.integers(1, 999),
    st.sampled_from([None, 1, 2]),
    st.sampled_from(["component_unexpected", "power_low"]),
    st.sampled_from([None, "heater", "drain_pump"]),
    st.sampled_from([None, 2_000]),
    st.sampled_from([None, 3_000]),
)


@given(st.lists(alerts, unique_by=lambda k: k.id))
def test_every_alert_is_in_one_matter_with_its_likes_only(known: list[KnownAlert]) -> None:
    groups = matters(known)
    assert sorted(k.id for k in chain(*groups)) == sorted(k.id for k in known)
    for group in groups:
        assert len({(k.alert.kind, k.alert.component, k.alert.cycle_key_ms, k.seen) for k in group}) == 1
        assert group[0].active or not any(k.active for k in group)
        assert len(group) == 1 or None not in (group[0].alert.component, group[0].alert.cycle_key_ms)


def stuck_heater(parts: Parts, folder: Path, stands: bool) -> list[KnownAlert]:
    """The running dishwasher's heater drew in four phases in which it should not; in the last it still does."""
    scene = Seed(folder)
    cycle = parts.queries.last_cycle("harbour-dish-2")
    assert cycle is not None
    for n, phase in enumerate(PHASES):
        began_ms = NOW_MS - (5 - n) * 60_000
        over_ms = None if stands and n == len(PHASES) - 1 else began_ms + 50_000
        alert = Alert(
            "component_unexpected", began_ms, began_ms + 14_000, over_ms, None, phase, "heater", 1790.0, 0.0, 0.0, "W"
        )
        scene.alert("harbour-dish-2", cycle, alert)
    scene.close()
    return [k for k in parts.queries.open_alerts("harbour-dish-2") if k.alert.kind == "component_unexpected"]


def test_it_calls_once_and_says_how_often(client: FlaskClient, parts: Parts, store: Path, tmp_path: Path) -> None:
    known = stuck_heater(parts, tmp_path / "store", stands=True)
    assert len(known) == len(PHASES)
    page = text_of(client, "/")
    assert page.count("Heater draws when it should be off") == 1
    assert "Heater drew when" not in page
    assert "and 3 times more in this cycle" in page
    said = text_of(client, "/alerts")
    assert "3 more times in this cycle" in said
    assert "Drain 1: began" in said
    assert "measured 1 790 W" in said
    rows = {m["id"]: m["open_alerts"] for m in client.get("/api/machines").get_json()["machines"]}
    assert rows["harbour-dish-2"] == len(PHASES) + 1


def test_all_that_was_shown_is_marked_and_no_more(client: FlaskClient, parts: Parts, tmp_path: Path) -> None:
    known = stuck_heater(parts, tmp_path / "store", stands=True)
    first = next(k for k in known if k.active)
    others = [k for k in known if not k.active]
    assert "Mark all 4 as seen" in text_of(client, "/alerts")
    stranger = parts.queries.open_alerts("pier-dish-5")[0]
    also = [str(k.id) for k in others[:2]] + [str(stranger.id), "none", "99999999999999999999"]
    form = {"csrf_token": token(client, "/alerts"), "what": "seen", "name": "Mira", "also": also}
    assert client.post(f"/alerts/{first.id}/seen", data=form).status_code == 302
    asked = [what["key"] for action, what in parts.asker.asked if action == "alert_seen"]  # type: ignore[attr-defined]
    assert sorted(asked) == sorted([first.alert.key, *(k.alert.key for k in others[:2])])


def test_all_that_is_over_is_marked_with_one_button(client: FlaskClient, parts: Parts, tmp_path: Path) -> None:
    stuck_heater(parts, tmp_path / "store", stands=False)
    before = client.get("/alerts").get_data(as_text=True)
    assert "Over, but nobody has seen it 2" in text_of(client, "/alerts")
    count = before.split('name="count" value="')[1].split('"')[0]
    assert count == "5"
    form = {"csrf_token": token(client, "/alerts"), "count": count, "name": "Mira"}
    client.post("/alerts/seen", data=form)
    assert len(parts.asker.asked) == int(count)  # type: ignore[attr-defined]
