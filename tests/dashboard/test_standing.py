"""Where alerts stand: active and seen as two facts, put aside, out of service, held back by a silent meter.

The states are those of OPC UA part 9 (OPC 10000-9, sections 4.8 and 5.8): condition and acknowledgement are
independent, shelving ends by itself, suppression and out of service are flags of their own.
"""

from __future__ import annotations

import re

import pytest
from flask.testing import FlaskClient
from loadbook.alert_kinds import ALERT_TABLE, PRIORITY_WORDS, alert_title
from loadbook.events import ALERT_KINDS, Alert, AlertChanged
from loadbook_dashboard.parts import Parts
from loadbook_dashboard.standing import LONGEST_ASIDE_H
from seeded import NOW_MS, Seed
from served import Noting
from test_pages import text_of, token

HOUR_MS = 3_600_000


@pytest.fixture
def scene(parts: Parts) -> Seed:
    made = Seed(parts.queries.ledger.parent)
    yield made  # type: ignore[misc]
    made.close()


def shelve(scene: Seed, machine: str, kind: str, until_ms: int) -> None:
    scene.ledger.db.execute(
        'INSERT INTO shelf (machine, kind, from_ms, until_ms, "by", reason) VALUES (?, ?, ?, ?, ?, ?)',
        (machine, kind, NOW_MS, until_ms, "Mira", "element is ordered"),
    )


def test_every_kind_has_its_words_and_one_of_three_priorities() -> None:
    assert set(ALERT_TABLE) == set(ALERT_KINDS)
    assert {row.priority for row in ALERT_TABLE.values()} == set(PRIORITY_WORDS)
    for row in ALERT_TABLE.values():
        assert row.first.endswith((".", "?"))


def test_headlines_name_part_and_phase_and_know_the_past() -> None:
    assert alert_title("component_missing", "Heater") == "Heater is not drawing"
    assert alert_title("component_missing", "Heater", over=True) == "Heater did not draw"
    assert alert_title("phase_too_long", phase="Fill") == "Fill is taking too long"
    assert alert_title("power_low", None, "Main heat") == "Main heat draws too little"
    assert alert_title("new_kind") == "Something to attend to"


def test_what_is_put_aside_calls_nobody_and_comes_back_by_itself(
    client: FlaskClient, parts: Parts, scene: Seed
) -> None:
    shelve(scene, "harbour-dish-2", "power_low", NOW_MS + HOUR_MS)
    assert "2 machines need somebody." in text_of(client, "/")
    said = text_of(client, "/alerts")
    assert "Calls nobody now 1" in said
    assert "put aside until 13:20 by Mira . Reason: element is ordered" in re.sub(r"(Mira)\.", r"\1 .", said)
    parts.now_ms = lambda: NOW_MS + HOUR_MS + 1
    assert "3 machines need somebody." in text_of(client, "/")


def test_a_machine_out_of_service_calls_nobody(client: FlaskClient, parts: Parts, scene: Seed) -> None:
    scene.ledger.db.execute(
        "UPDATE machine SET out_of_service_since_ms = ?, out_of_service_by = 'Ferro', "
        "out_of_service_reason = 'pump out' WHERE id = 'harbour-dish-2'",
        (NOW_MS,),
    )
    assert "2 machines need somebody." in text_of(client, "/")
    assert "Out of service since 12:20 (0 s) , said by Ferro: pump out" in text_of(client, "/now/harbour-dish-2")
    assert "Put back in service" in text_of(client, "/machines/harbour-dish-2")


def test_a_silent_meter_holds_back_what_hangs_on_it(client: FlaskClient, parts: Parts, scene: Seed) -> None:
    stands = Alert("standby_high", NOW_MS - HOUR_MS, NOW_MS - HOUR_MS, None, None, None, None, 9.0, None, 2.7, "W")
    over = Alert("supply_voltage", NOW_MS - 2 * HOUR_MS, NOW_MS - 2 * HOUR_MS, NOW_MS - HOUR_MS)
    scene.say("pier-washer-4", AlertChanged(NOW_MS, stands), AlertChanged(NOW_MS, over))
    quiet = {k.alert.kind: k.quiet and k.quiet.why for k in parts.open_alerts("pier-washer-4")}
    # the silence itself calls; what is over was known before the silence and still wants to be seen
    assert quiet == {"meter_silent": None, "standby_high": "held_back", "supply_voltage": None}
    assert "Held back: the meter has been silent since 12:13" in text_of(client, "/alerts")


def test_the_list_of_the_night_is_marked_as_seen_at_once(client: FlaskClient, parts: Parts, scene: Seed) -> None:
    more = Alert("power_lost", NOW_MS - 9 * HOUR_MS, NOW_MS - 9 * HOUR_MS, NOW_MS - 8 * HOUR_MS)
    scene.say("quay-dryer-3", AlertChanged(NOW_MS, more))
    form = {"csrf_token": token(client, "/alerts"), "count": "1", "name": "Mira"}
    client.post("/alerts/seen", data=form)
    assert parts.asker.asked == []  # type: ignore[attr-defined]
    assert "The list has changed since you looked." in text_of(client, "/alerts")
    client.post("/alerts/seen", data={**form, "count": "2"})
    asked = parts.asker.asked  # type: ignore[attr-defined]
    assert sorted((action, what["machine"], what["by"]) for action, what in asked) == [
        ("alert_seen", "pier-dish-5", "Mira"),
        ("alert_seen", "quay-dryer-3", "Mira"),
    ]


def test_putting_aside_needs_a_reason_and_ends(client: FlaskClient, parts: Parts) -> None:
    path = "/machines/harbour-dish-2/aside/power_low"
    form = {"csrf_token": token(client, "/alerts"), "name": "Mira", "reason": "element is ordered", "hours": "4"}
    client.post(path, data={**form, "reason": " "})
    client.post(path, data={**form, "hours": str(LONGEST_ASIDE_H + 1)})
    asker = parts.asker
    assert isinstance(asker, Noting)
    assert asker.asked == []
    client.post(path, data=form)
    what = {"machine": "harbour-dish-2", "kind": "power_low", "by": "Mira", "reason": "element is ordered"}
    assert asker.asked == [("alert_shelve", {**what, "until_ms": NOW_MS + 4 * HOUR_MS})]
    client.post(path, data={**form, "what": "back"})
    assert asker.asked[1][0] == "alert_unshelve"
    assert client.post("/machines/harbour-dish-2/aside/nothing", data=form).status_code == 404


def test_taking_out_of_service_needs_a_reason(client: FlaskClient, parts: Parts) -> None:
    form = {"csrf_token": token(client, "/alerts"), "what": "out", "name": "Ferro"}
    client.post("/machines/quay-dryer-3/service", data=form)
    client.post("/machines/quay-dryer-3/service", data={**form, "reason": "belt"})
    client.post("/machines/quay-dryer-3/service", data={**form, "what": "back"})
    asked = [(action, what["on"]) for action, what in parts.asker.asked]  # type: ignore[attr-defined]
    assert asked == [("out_of_service", True), ("out_of_service", False)]


def test_a_finished_cycle_is_a_notice_and_calls_nobody(client: FlaskClient) -> None:
    said = text_of(client, "/alerts")
    notices = said.split("Notices of the last day")[1]
    assert "Dryer 3, quay side finished Cupboard dry" in notices
    assert "Dryer 3" not in said.split("Still there")[1].split("Notices")[0]


def test_the_page_says_how_much_the_alerts_ask(client: FlaskClient) -> None:
    said = text_of(client, "/alerts").split("How much these alerts ask")[1]
    assert "3 in the last 30 days, 0.1 a day. None has stood for more than a day." in said
    assert "1 × the meter was silent, Washer 4, pier side" in said
