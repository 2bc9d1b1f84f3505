"""A machine's file in the browser: checked in one line, shown as a difference before it is kept, learned, undone."""

from __future__ import annotations

import re

from flask.testing import FlaskClient
from loadbook.machine import parse_machine
from loadbook.store.machine_files import add_version
from loadbook_dashboard.pages.machine_file import plain_difference
from loadbook_dashboard.parts import Parts
from seeded import NOW_MS, Seed, machine_text
from served import Noting
from test_pages import text_of, token

PATH = "/machines/quay-dryer-3/file"


def sent(client: FlaskClient, **more: str) -> str:
    """The answer to the form, as words."""
    form = {"csrf_token": token(client, PATH), "name": "Mira", **more}
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", client.post(PATH, data=form).get_data(as_text=True)))


def of(client: FlaskClient, text: str) -> str:
    html = client.post(PATH, data={"csrf_token": token(client, PATH), "text": text}).get_data(as_text=True)
    found = re.search(r'name="of" value="([0-9a-f]+)"', html)
    assert found
    return found.group(1)


def test_a_wrong_text_is_said_in_one_line_and_not_kept(client: FlaskClient, parts: Parts) -> None:
    text = machine_text("quay-dryer-3")
    assert "rated_w" in sent(client, text=text.replace("rated_w", "rated_watt", 1))
    assert "it must stay" in sent(client, text=text.replace('id = "quay-dryer-3"', 'id = "other"', 1))
    assert isinstance(parts.asker, Noting)
    assert parts.asker.asked == []


def test_a_change_is_kept_only_after_its_difference_was_shown(client: FlaskClient, parts: Parts) -> None:
    text = machine_text("quay-dryer-3").replace("max_s = 900.0", "max_s = 950.0", 1)
    said = sent(client, text=text, what="keep", of="1", why="cooler room")
    assert "What would change" in said
    assert "gone max_s = 900.0" in said
    assert "new max_s = 950.0" in said
    assert isinstance(parts.asker, Noting)
    assert parts.asker.asked == []
    sent(client, text=text, what="keep", of=of(client, text), version="0", why="cooler room")
    what = {"machine": "quay-dryer-3", "text": text, "by": "Mira", "why": "cooler room", "version": 0}
    assert parts.asker.asked == [("machine_file_save", what)]


def keep_meanwhile(parts: Parts, text: str) -> int:
    """Somebody else keeps a change, as the recorder would: the version's number."""
    scene = Seed(parts.queries.ledger.parent)
    with scene.ledger.transaction():
        scene.ledger.put_machine(parse_machine(text, "test"), "m3", text)
        add_version(scene.ledger.db, "quay-dryer-3", machine_text("quay-dryer-3"), at_ms=NOW_MS - 60_000)
        number = add_version(
            scene.ledger.db, "quay-dryer-3", text, at_ms=NOW_MS - 60_000, author="Ines", why="hot summer"
        )
    scene.close()
    return number


def test_what_another_changed_meanwhile_is_shown_and_not_overwritten(client: FlaskClient, parts: Parts) -> None:
    was = machine_text("quay-dryer-3")
    mine = was.replace("max_s = 900.0", "max_s = 950.0", 1)
    read_at = {"of": of(client, mine), "version": "0"}
    number = keep_meanwhile(parts, was.replace("rated_w = 2300.0", "rated_w = 2250.0", 1))
    said = sent(client, text=mine, what="keep", **read_at)
    assert "This file was changed while you wrote" in said
    assert "Ines changed it" in said
    assert "hot summer" in said
    assert said.count("gone rated_w = 2300.0") == 1  # what Ines changed
    assert said.count("new rated_w = 2300.0") == 1  # and what this text would take back
    assert parts.asker.asked == []  # type: ignore[attr-defined]
    assert "changed while you wrote" in sent(client, text=mine, what="check", **read_at)
    sent(client, text=mine, what="keep", of=of(client, mine), version=str(number))
    assert parts.asker.asked[0][1]["version"] == number  # type: ignore[attr-defined]


def test_the_recorders_own_refusal_shows_the_text_again(client: FlaskClient, parts: Parts) -> None:
    mine = machine_text("quay-dryer-3").replace("max_s = 900.0", "max_s = 950.0", 1)
    read_at = {"of": of(client, mine), "version": "0"}
    parts.asker.refuse = "somebody else has changed this file meanwhile"  # type: ignore[attr-defined]
    said = sent(client, text=mine, what="keep", **read_at)
    assert "somebody else has changed this file meanwhile. Nothing was changed." in said
    assert "max_s = 950.0" in said


def test_good_cycles_are_learned_as_a_change(client: FlaskClient) -> None:
    rows = client.get("/api/machines/quay-dryer-3/cycles?limit=1").get_json()["cycles"]
    form = {"csrf_token": token(client, PATH), "programme": "cupboard-dry", "cycle": str(rows[0]["key_ms"])}
    answer = client.post(f"{PATH}/learn", data=form).get_data(as_text=True)
    assert "Learned from 1 cycle" in answer
    assert "Tick the cycles that were good" in client.post(f"{PATH}/learn", data={**form, "cycle": ""}).get_data(
        as_text=True
    )


def test_versions_are_listed_and_brought_back(client: FlaskClient, parts: Parts) -> None:
    scene = Seed(parts.queries.ledger.parent)
    with scene.ledger.transaction():
        first = add_version(scene.ledger.db, "quay-dryer-3", "x", at_ms=NOW_MS - 60_000, why="as it was")
        add_version(scene.ledger.db, "quay-dryer-3", "y", at_ms=NOW_MS, author="Mira", why="new heater")
    scene.close()
    said = text_of(client, PATH)
    assert "Mira · in force: new heater" in said
    client.post(f"{PATH}/undo", data={"csrf_token": token(client, PATH), "version": str(first), "name": "Mira"})
    what = {"machine": "quay-dryer-3", "version": first, "by": "Mira"}
    assert parts.asker.asked == [("machine_file_undo", what)]  # type: ignore[attr-defined]


def test_the_difference_names_what_goes_and_what_comes() -> None:
    assert plain_difference("a\nb\n", "a\nc\n") == [("where", "…"), ("same", "a"), ("out", "b"), ("in", "c")]
    assert plain_difference("a\n", "a\n") == []
