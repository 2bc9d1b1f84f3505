"""The first hour: nothing recorded yet, no machine, a machine never heard of. Every page says what to do next."""

from __future__ import annotations

from pathlib import Path

import pytest
from flask.testing import FlaskClient
from loadbook.machine import parse_machine
from loadbook.store.connect import READINGS_FILE
from loadbook.store.ledger import Ledger
from loadbook.store.sqlite_readings import SqliteStore
from loadbook_dashboard import create_app
from seeded import machine_text
from served import parts_over
from test_pages import text_of

PAGES = ("/", "/cycles", "/alerts", "/soak/", "/statement", "/board")


def client_of(folder: Path) -> FlaskClient:
    app = create_app(parts_over(folder))
    app.config["TESTING"] = True
    return app.test_client()


@pytest.fixture
def empty(tmp_path: Path) -> Path:
    """What the recorder leaves behind that has just started."""
    Ledger.open(tmp_path).close()
    SqliteStore(tmp_path / READINGS_FILE).close()
    return tmp_path


@pytest.mark.parametrize("page", PAGES)
def test_before_the_recorder_has_run_every_page_says_how_to_start_it(tmp_path: Path, page: str) -> None:
    said = text_of(client_of(tmp_path), page, 503)
    assert "Nothing is recorded yet" in said
    assert "loadbook record" in said
    assert "To the machines" in said


def test_with_no_machine_the_first_page_has_the_first_steps_and_no_page_is_blank(empty: Path) -> None:
    client = client_of(empty)
    said = text_of(client, "/")
    for words in ("No machine is set up yet.", "loadbook meter scan", "machine file", "settings --check", "licensed"):
        assert words in said
    assert "No machine is set up yet." in text_of(client, "/board")
    assert "No cycle has been recorded yet." in text_of(client, "/cycles")
    assert "None in the last 30 days." in text_of(client, "/alerts")
    assert "Begin one" not in text_of(client, "/soak/")
    assert "CSV" not in text_of(client, "/statement")


def test_a_machine_never_heard_of_has_pages_that_say_so(empty: Path) -> None:
    ledger = Ledger.open(empty)
    text = machine_text("quay-dryer-3")
    with ledger.transaction():
        ledger.put_machine(parse_machine(text, "test"), "m3", text)
    ledger.close()
    client = client_of(empty)
    assert "What it does is not known." in text_of(client, "/")
    assert "No reading has come from its meter yet." in text_of(client, "/machines/quay-dryer-3")
    for page in ("", "/file", "/programmes", "/when", "/compare"):
        assert client.get(f"/machines/quay-dryer-3{page}").status_code == 200, page
    assert "No cycle of this machine has finished yet." in text_of(client, "/machines/quay-dryer-3/programmes")
    assert "no reading yet" in text_of(client, "/meters")
