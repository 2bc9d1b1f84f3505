"""What programmes cost, when to start, the month's statement: on their pages, with the figures of the cost room."""

from __future__ import annotations

import csv
import io
import re

import pytest
from loadbook_dashboard import create_app


def text_of(client, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200, answer.get_data(as_text=True)
    return answer.get_data(as_text=True).replace("\u00a0", " ")


def test_programmes_of_a_machine(client):
    page = text_of(client, "/machines/quay-washer-1/programmes")
    assert "Mixed 40" in page
    assert "8 completed" in page
    assert "0.17 EUR" in page
    assert "not a household" in page or "household" in page


def test_when_to_start_names_the_cheapest_in_words_and_draws_every_start(client):
    page = text_of(client, "/machines/quay-dryer-3/when?hours=24")
    assert re.search(
        r"Cheapest (at |tomorrow )\d\d:\d\d: \d+\.\d\d EUR, \d+\.\d\d EUR less than now|Now is as cheap", page
    )
    assert page.count('class="curve"') == 2  # for wide screens and for telephones
    assert len(re.findall(r"<tr>", page)) > 20


def test_without_readings_of_a_run_it_says_why(client):
    page = text_of(client, "/machines/pier-washer-4/when")
    assert "no longer kept at full rate" in page or "no completed run" in page


def test_the_statement_of_the_month(client):
    page = text_of(client, "/statement?month=2026-11")
    assert "Washer 1, quay side" in page
    rows = list(csv.DictReader(io.StringIO(text_of(client, "/statement.csv?month=2026-11"))))
    loads = int(re.search(r"All machines: (\d+) loads", page)[1])
    assert len(rows) == loads > 10
    assert {r["currency"] for r in rows} == {"EUR"}
    assert text_of(client, "/statement.csv?month=2026-09").count("\n") == 1


@pytest.mark.pdf
def test_the_statement_for_paper(client):
    answer = client.get("/statement.pdf?month=2026-11")
    assert answer.data.startswith(b"%PDF")
    assert "statement-2026-11.pdf" in answer.headers["Content-Disposition"]


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/statement?month=soon", 400),
        ("/machines/quay-washer-1/when?hours=7", 400),
        ("/machines/nobody/programmes", 404),
        ("/machines/nobody/when", 404),
    ],
)
def test_what_cannot_be_is_said(client, path, status):
    assert client.get(path).status_code == status


def test_under_one_rate_every_start_costs_the_same_and_nothing_is_drawn(parts):
    from dataclasses import replace  # noqa: PLC0415

    flat = replace(parts, settings=parts.settings.model_copy(update={"tariff": "quay-flat"}))
    page = text_of(create_app(flat).test_client(), "/machines/quay-dryer-3/when")
    assert "Every start costs the same: 0." in page
    assert "startcurve" not in page
