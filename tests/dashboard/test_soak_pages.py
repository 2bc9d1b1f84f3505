"""Soak tests on their pages: ordered, watched, written in, reported; each change through the desk."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from loadbook.errors import InputError
from loadbook.paper import pdf_of_html
from loadbook_dashboard import create_app
from loadbook_dashboard.requests import RefusedError
from loadbook_dashboard.soak_report import for_paper
from served import parts_over
from soak_scene import EVENING_MS, MACHINE, Night


class DeskAsker:
    """Answers as the recorder does, without the broker between."""

    def __init__(self, night: Night) -> None:
        self.night = night
        self.now_ms = EVENING_MS + 1000

    def ask(self, action: str, **what: Any) -> dict[str, Any]:
        try:
            return self.night.ask(action, self.now_ms, **what)
        except InputError as bad:
            raise RefusedError(str(bad)) from None


@pytest.fixture
def night(tmp_path: Path):
    made = Night(tmp_path)
    yield made
    made.close()


@pytest.fixture
def client(night: Night, tmp_path: Path) -> FlaskClient:
    parts = parts_over(tmp_path)
    parts.asker = DeskAsker(night)
    app = create_app(parts)
    app.config.update(TESTING=True, WTF_CSRF_ENABLED=False)
    return app.test_client()


def text_of(client: FlaskClient, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200
    return answer.get_data(as_text=True)


def issue(client: FlaskClient, night: Night, remark: str = "") -> str:
    answer = client.post(f"/soak/{night.number}/report", data={"name": "Ines Vale", "remark": remark})
    assert answer.status_code == 302
    return answer.headers["Location"]


def test_the_morning_in_three_lines(client, night):
    night.run()
    page = text_of(client, f"/soak/{night.number}")
    lines = re.findall(r"<li>(.*?)</li>", page.split('class="lines"')[1])[:3]
    assert lines[0].startswith("4 of 4 cycles done. Ended")
    assert lines[1] == "1 finding: Fill took too long in cycle 3."  # that cycle is over
    assert "kWh in all" in lines[2]
    assert "Not all requirements met" in page or "not all requirements met" in page
    assert "A deviation in 1 of 4 cycles." in page


def test_before_a_cycle_is_complete_the_requirements_are_folded_away(client, night):
    page = text_of(client, f"/soak/{night.number}")
    assert re.search(r"<summary>\d+ requirements, judged as soon as a cycle is complete</summary>", page)
    assert "No cycle has begun since the test did" in page or "did not start again" in page
    night.run()
    assert "judged as soon as" not in text_of(client, f"/soak/{night.number}")


def test_a_test_that_waits_says_when_it_is_overdue(client, night):
    assert "did not start again" in text_of(client, f"/soak/{night.number}")  # nothing ran for hours
    assert "Somebody is needed" in text_of(client, f"/soak/{night.number}/part")


def test_an_order_goes_through_the_desk_and_a_refused_one_comes_back_filled_in(client, night):
    form = {"name": "Ines", "programme": "mixed-40", "cycles": "3", "ticket": "R-7 <b>", "pause_min": "20"}
    refused = client.post(f"/soak/new/{MACHINE}", data=form)
    page = refused.get_data(as_text=True)
    assert f"test {night.number} is still open" in page
    assert "R-7 &lt;b&gt;" in page
    client.post(f"/soak/{night.number}/diary", data={"what": "end", "name": "Ines", "text": "customer came"})
    begun = client.post(f"/soak/new/{MACHINE}", data={**form, "low-heater": "1800", "high-heater": "2000"})
    assert begun.status_code == 302
    assert begun.headers["Location"].endswith("-0002")
    page = text_of(client, begun.headers["Location"])
    assert "entered for this test" in page


def test_limits_the_meter_cannot_decide_come_back_with_the_reason(client, night):
    client.post(f"/soak/{night.number}/diary", data={"what": "end", "name": "Ines"})
    form = {"name": "Ines", "cycles": "3", "low-heater": "1890", "high-heater": "1910"}
    page = client.post(f"/soak/new/{MACHINE}", data=form).get_data(as_text=True)
    assert "limits 1890 to 1910 leave nothing between their guard bands" in page


@pytest.mark.parametrize(("field", "value", "named"), [("cycles", "many", "cycles"), ("until", "soon", "until_ms")])
def test_a_field_that_is_no_number_is_named(client, night, field, value, named):
    client.post(f"/soak/{night.number}/diary", data={"what": "end", "name": "Ines"})
    form = {"name": "Ines", "cycles": "2", field: value}
    page = client.post(f"/soak/new/{MACHINE}", data=form).get_data(as_text=True)
    assert f"order: {named}" in page


def test_pause_and_resume(client, night):
    client.post(f"/soak/{night.number}/diary", data={"what": "pause", "name": "Ines"})
    page = text_of(client, f"/soak/{night.number}")
    assert "Resume" in page
    assert 'value="pause"' not in page


def test_a_report_is_kept_as_issued_and_an_amended_one_names_it(client, night):
    night.run()
    first = issue(client, night, "Tap half closed <script>alert(1)</script>")
    html = text_of(client, first)
    assert "Tap half closed &lt;script&gt;" in html
    assert "No electrical safety test is recorded in this report." in html
    assert "Not met" in html
    assert html.count("<svg") == 2
    record = {"tester": "R. Vale", "standard": "EN 50678:2020", "instrument": "T-9, cal. 2026-03"}
    row = {"check-0": "Protective conductor", "limit-0": "0.3 ohm", "value-0": "0.12 ohm", "result-0": "in order"}
    client.post(f"/soak/{night.number}/safety", data={**record, **row})
    second = text_of(client, issue(client, night))
    assert f"replaces {first.rsplit('/', 1)[1]}" in second
    assert "0.12 ohm" in second
    assert text_of(client, first) == html
    assert re.search(r"\b(safe|repaired)\b", second.replace("does not show that the appliance is safe", "")) is None


def test_without_the_meters_accuracy_page_and_report_say_what_to_do(tmp_path):
    night = Night(tmp_path, accuracy=None)
    try:
        night.run()
        parts = parts_over(tmp_path)
        parts.asker = DeskAsker(night)
        app = create_app(parts)
        app.config.update(TESTING=True, WTF_CSRF_ENABLED=False)
        client = app.test_client()
        for path in (f"/soak/{night.number}", issue(client, night)):
            said = " ".join(re.sub(r"<[^>]+>", " ", text_of(client, path)).split())
            assert re.search(r"Of (\d+) requirements: \d+ met, .*\d+ not assessed\.", said)
            assert re.search(r"\d+ not assessed: no limit of error .* data sheet.*class_percent.*test again", said)
    finally:
        night.close()


def test_a_report_needs_a_name(client, night):
    answer = client.post(f"/soak/{night.number}/report", data={"name": " "}, follow_redirects=True)
    assert "say who authorises the report" in answer.get_data(as_text=True)


def test_what_is_not_there_is_not_found(client, night):
    for path in ("/soak/1999-0001", f"/soak/{night.number}/report/none", "/soak/new/nobody"):
        assert client.get(path).status_code == 404


@pytest.mark.pdf
def test_the_pdf_says_the_same_on_numbered_pages(client, night, tmp_path):
    pypdf = pytest.importorskip("pypdf")
    night.run()
    where = issue(client, night, "Tap half closed")
    answer = client.get(f"{where}.pdf")
    assert answer.mimetype == "application/pdf"
    (tmp_path / "report.pdf").write_bytes(answer.data)
    pages = pypdf.PdfReader(tmp_path / "report.pdf").pages
    assert len(pages) == 2
    for n, page in enumerate(pages, 1):
        text = page.extract_text()
        assert f"page {n} of 2" in text
        assert where.rsplit("/", 1)[1] in text
    words = " ".join(p.extract_text() for p in pages)
    for said in ("Measured against expected", "Undecided", "Not met", "Main heat", "End of report", "Tap half closed"):
        assert said in words


@pytest.mark.pdf
def test_the_traces_are_in_the_pdf_as_drawings(client, night):
    night.run()
    html = text_of(client, issue(client, night))
    with_traces = pdf_of_html(for_paper(html))
    without = pdf_of_html(for_paper(re.sub(r"<svg.*?</svg>", "", html, flags=re.S)))
    assert len(with_traces) > len(without) + 5000
