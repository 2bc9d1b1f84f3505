"""What the pages say, over a seeded store."""

from __future__ import annotations

import re
from decimal import Decimal
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from flask.testing import FlaskClient
from loadbook.reading import Reading
from loadbook_dashboard import CONTENT_POLICY, create_app, host_is_known
from loadbook_dashboard.parts import Parts
from seeded import NOW_MS, Seed
from served import Noting, parts_over


def text_of(client: FlaskClient, path: str, status: int = 200) -> str:
    """A page's words, tags left out, white space single."""
    answer = client.get(path)
    assert answer.status_code == status, path
    html = re.sub(r"(?s)<(script|style|head).*?</\1>", " ", answer.get_data(as_text=True))
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)).replace("\u202f", " "))


def cycle_path(client: FlaskClient, machine: str) -> str:
    row = client.get(f"/api/machines/{machine}/cycles?limit=1").get_json()["cycles"][0]
    return f"/machines/{machine}/cycles/{row['key_ms']}"


def token(client: FlaskClient, path: str) -> str:
    found = re.search(r'name="csrf_token" value="([^"]+)"', client.get(path).get_data(as_text=True))
    assert found
    return found.group(1)


def test_the_first_page_says_what_runs_since_when_how_long_and_who_is_needed(client: FlaskClient) -> None:
    said = text_of(client, "/")
    assert "3 machines need somebody." in said
    assert "2 of 5 running, 1 not heard from." in said
    washer = text_of(client, "/now/quay-washer-1")
    # 13:20 UTC is 12:20 in the site's zone; the cycle began 24 minutes before
    assert "Running since 11:56 (24 min)" in washer
    assert "Main wash since 12:14" in washer
    assert "Phase 5 of 14, then drain 1." in washer
    assert re.search(r"Usually done about 1[23]:\d\d , in \d+ min", washer)
    assert "Finished since 12:00 (20 min)" in text_of(client, "/now/quay-dryer-3")
    assert "Meter silent since 12:13" in text_of(client, "/now/pier-washer-4")
    dish = text_of(client, "/now/harbour-dish-2")
    assert "Heater draws too little since 11:53" in dish
    assert "Act today: Compare with the rating plate." in dish
    idle = text_of(client, "/now/pier-dish-5")
    assert "Idle" in idle or "Finished" in idle
    assert "Fill took too long" in idle
    assert "nobody has seen it yet" in idle


def test_a_cycle_lists_measured_beside_allowed_and_says_what_to_check(client: FlaskClient) -> None:
    said = text_of(client, cycle_path(client, "harbour-dish-2"))
    assert "A Heater draws too little" in said
    assert "Measured 886 W , expected 1 625 W to 1 896 W" in said
    assert "Check: Measure each element alone" in said
    assert re.search(r"Main heat \d\d:\d\d · \d+ W .*? 15:55 5:00 – 20:00", said)
    assert "to come" in said


def test_what_a_phase_should_draw_stands_beside_what_it_drew(client: FlaskClient, parts: Parts) -> None:
    html = client.get(cycle_path(client, "harbour-dish-2")).get_data(as_text=True)
    cells = re.findall(r'class="num wideonly expected">([^<]+)<', html)
    heat = next(c for c in cells if len(re.sub(r"\D", "", c)) == 8).replace("\u202f", "")
    low, high = map(int, re.findall(r"\d+", heat))
    # the plates: a heater of 1 820 W, 1 638 to 1 911 W (IEC 60335-1, table 1), by (V/230)² at the 218 to 242 V it may
    # have had; the circulation pump of 92 W adds a fifth of its plate to 120 % of it, the rest of the machine 4.8 W
    assert 1638 * (218 / 230) ** 2 + 18.4 <= low <= 1638 * (242 / 230) ** 2 + 18.4
    assert high - 110.4 - 4.8 == pytest.approx((low - 18.4) * 1911 / 1638, abs=2)
    machine = parts.queries.machine("harbour-dish-2")
    cycle = parts.queries.last_cycle("harbour-dish-2")
    assert machine and cycle and machine.meter
    phase = next(p for p in cycle.phases if p.id == "main-heat")
    with parts.readings() as reader:
        read_v = reader.series(machine.meter, phase.start_ms or 0, phase.end_ms or 0, ("voltage_v",)).voltage_v
    assert read_v is not None
    assert low == pytest.approx(1638 * (float(np.nanmean(read_v)) / 230) ** 2 + 18.4, abs=3)
    assert "should 1 6" in text_of(client, cycle_path(client, "harbour-dish-2"))  # on a telephone


def test_without_a_chart_nothing_is_expected(client: FlaskClient, parts: Parts) -> None:
    scene = Seed(parts.queries.ledger.parent)
    with scene.ledger.transaction():
        scene.ledger.db.execute("UPDATE machine SET file_text = NULL WHERE id = 'harbour-dish-2'")
    scene.close()
    said = text_of(client, cycle_path(client, "harbour-dish-2"))
    assert "Should draw" not in said
    assert "Between dashed lines" not in said


def test_a_running_cycle_is_shown_up_to_its_last_reading(client: FlaskClient, parts: Parts) -> None:
    path = cycle_path(client, "quay-washer-1")
    before = client.get(f"/api{path}").get_json()["cycles"][0]
    parts.hub.reading("m1", Reading(NOW_MS + 300_000, power_w=100.0))
    after = client.get(f"/api{path}").get_json()["cycles"][0]
    assert after["end"] == "2026-11-25T13:25:00Z"
    assert after["phases"][-1]["end"] == after["end"]
    assert after["energy_kwh"] == pytest.approx(before["energy_kwh"], rel=0.05)  # nothing is stored of the silence
    assert "29 min" in text_of(client, path)


def test_history_has_energy_and_cost(client: FlaskClient) -> None:
    said = text_of(client, "/cycles")
    assert re.search(r"Washer 1, quay side ?Mixed 40.*?0\.\d\d kWh .*?0\.\d\d EUR", said)
    assert "1 alert" in said
    assert "Older cycles" not in text_of(client, "/machines/quay-washer-1")


def test_what_each_phase_cost_is_said_where_the_cycle_was_costed(client: FlaskClient) -> None:
    done = text_of(client, cycle_path(client, "quay-dryer-3"))
    assert "Energy, cost" in done and "together they make what the cycle cost" in done
    figures = [Decimal(figure) for figure in re.findall(r"kWh (0\.\d{4}) EUR", done)]
    whole = re.search(r"Cost (\d\.\d\d) EUR", done)
    assert whole is not None
    assert abs(sum(figures) - Decimal(whole[1])) <= Decimal("0.005") + len(figures) * Decimal("0.00005")
    running = text_of(client, cycle_path(client, "quay-washer-1"))
    assert "Energy, cost" not in running and "EUR" not in running


@pytest.mark.parametrize("path", ["/", "/cycles", "/alerts", "/meters", "/cautions", "/machines/quay-washer-1"])
def test_every_page_carries_the_cautions_and_a_strict_policy(client: FlaskClient, path: str) -> None:
    answer = client.get(path)
    assert answer.headers["Content-Security-Policy"] == CONTENT_POLICY
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    html = answer.get_data(as_text=True)
    assert "is not a safety test" in html
    assert not re.search(r"\sstyle=|\son[a-z]+=|<style|<script(?![^>]*\ssrc=)", html)
    assert not re.search(r'(src|href|action)="(https?:)?//', html)


def test_meters_say_when_heard_and_count_gaps(parts: Parts, client: FlaskClient) -> None:
    parts.hub.poller_state("board-1", {"meters": {"m2": {"read": 51231, "gaps": {"no_answer": 2}}}})
    said = text_of(client, "/meters")
    assert "51 231 readings since the poller started, 2 gaps: the meter did not answer in time 2 ×." in said
    assert "Silent last reading 12:13" in said or "Silent last reading 12:12" in said
    assert "map float32 · line quay" in said


def test_a_meter_that_does_not_answer_says_what_to_look_at(parts: Parts, client: FlaskClient) -> None:
    counters = {"read": 3, "gaps": {"crc": 2}, "reason": "crc", "absurd": {"power_factor": 98.0}}
    parts.hub.poller_state("board-1", {"meters": {"m2": counters}})
    page = client.get("/meters").get_data(as_text=True)
    assert "an answer came damaged (checksum wrong). To look at: parity, termination" in page
    assert "Left out, because it cannot be: power factor 98.0. To look at: word order" in page


def test_a_meter_whose_messages_cannot_be_read_says_so_and_where_they_are(parts: Parts, client: FlaskClient) -> None:
    assert "could not be read" not in text_of(client, "/meters")
    counted = {"messages": 12, "entries": 3, "why": "power must be a number in W, not 2.0 <kW>", "at_ms": NOW_MS}
    parts.hub.set_aside({"stranger": counted, "odd": "no table"})
    said = text_of(client, "/meters")
    assert "stranger no machine behind it" in said
    assert "12 messages could not be read and were set aside, the last" in said
    assert "power must be a number in W, not 2.0 &lt;kW&gt;" in client.get("/meters").get_data(as_text=True)
    assert "odd" not in said


def test_marking_as_seen_asks_the_recorder_and_needs_a_token(client: FlaskClient, parts: Parts) -> None:
    alert = parts.queries.open_alerts("harbour-dish-2")[0]
    path = f"/alerts/{alert.id}/seen"
    assert client.post(path, data={"what": "seen"}).status_code == 400
    assert isinstance(parts.asker, Noting)
    assert parts.asker.asked == []
    form = {"csrf_token": token(client, "/alerts"), "what": "seen", "name": "Mira", "text": "second element open"}
    answer = client.post(path, data=form)
    assert answer.status_code == 302
    assert parts.asker.asked == [
        ("note_add", {"machine": "harbour-dish-2", "cycle_key_ms": None, "alert_key": alert.alert.key, "by": "Mira",
                      "text": "second element open"}),
        ("alert_seen", {"machine": "harbour-dish-2", "key": alert.alert.key, "by": "Mira"}),
    ]  # fmt: skip
    assert "Marked as seen." in text_of(client, "/alerts")
    assert 'value="Mira"' in client.get("/alerts").get_data(as_text=True)


def test_a_refusal_is_shown_and_nothing_is_called_done(client: FlaskClient, parts: Parts) -> None:
    parts.asker = Noting(refuse="The recorder did not answer.")
    alert = parts.queries.open_alerts("harbour-dish-2")[0]
    form = {"csrf_token": token(client, "/alerts"), "what": "seen", "back": "//elsewhere.example/"}
    answer = client.post(f"/alerts/{alert.id}/seen", data=form)
    assert answer.headers["Location"] == "/alerts"
    said = text_of(client, "/alerts")
    assert "The recorder did not answer." in said
    assert "Marked as seen." not in said


def test_what_is_not_there_is_said_plainly(client: FlaskClient) -> None:
    assert "There is nothing here" in text_of(client, "/machines/none", 404)
    assert "There is nothing here" in text_of(client, "/machines/quay-washer-1/cycles/1", 404)
    assert client.get("/api/machines/none/cycles").get_json()["error"].startswith("There is nothing here")


def test_without_a_ledger_the_page_says_so(tmp_path: Path) -> None:
    client = create_app(parts_over(tmp_path)).test_client()
    assert "Nothing is recorded yet" in text_of(client, "/", 503)
    assert client.get("/api/machines").status_code == 503


@pytest.mark.parametrize(
    ("host", "known"),
    [
        ("127.0.0.1:8420", True),
        ("localhost", True),
        ("[::1]:8420", True),
        ("192.168.3.7:8420", True),
        ("laundry.example:8420", True),
        ("evil.example", False),
        ("127.0.0.1.evil.example", False),
        ("", False),
    ],
)
def test_only_known_names_are_answered(host: str, known: bool) -> None:
    assert host_is_known(host, ("laundry.example",)) is known


def test_a_foreign_name_gets_nothing(client: FlaskClient) -> None:
    answer = client.get("/", headers={"Host": "evil.example"})
    assert answer.status_code == 400
    assert "Washer" not in answer.get_data(as_text=True)
