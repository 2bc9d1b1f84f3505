"""What somebody who means harm might send: script in names and notes, addresses that climb, formulas, floods."""

from __future__ import annotations

import csv
import io
import re
import socket
import tempfile
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from loadbook.events import Alert, AlertChanged, Cause
from loadbook.machine import parse_machine
from loadbook_dashboard import create_app
from loadbook_dashboard.pages.soak import REPORT_POLICY
from loadbook_dashboard.parts import Parts
from seeded import NOW_MS, Seed, machine_text
from served import parts_over, seeded_parts, served
from test_pages import cycle_path, token

EVIL = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"
TOML_EVIL = EVIL.replace('"', '\\"')


@pytest.fixture
def hostile(parts: Parts) -> FlaskClient:
    """A store in which every text that a person or a file may set is an attack."""
    scene = Seed(parts.queries.ledger.parent)
    text = machine_text("quay-dryer-3")
    text = text.replace('name = "Dryer 3, quay side"', f'name = "{TOML_EVIL}"\nplace = "{TOML_EVIL}"')
    text = text.replace('name = "Cupboard dry"', f'name = "{TOML_EVIL}"')
    with scene.ledger.transaction():
        scene.ledger.put_machine(parse_machine(text, "test"), "m3", text)
        db = scene.ledger.db
        cycle = db.execute("SELECT id, key_ms FROM cycle WHERE machine = 'quay-dryer-3' ORDER BY key_ms").fetchall()[-1]
        sql = "INSERT INTO note (machine, cycle, alert, at_ms, author, text) VALUES ('quay-dryer-3', ?, NULL, ?, ?, ?)"
        db.execute(sql, (cycle[0], NOW_MS, EVIL, EVIL))
        db.execute(
            "UPDATE machine SET out_of_service_since_ms = ?, out_of_service_by = ?, out_of_service_reason = ? "
            "WHERE id = 'pier-washer-4'",
            (NOW_MS, EVIL, EVIL),
        )
    alert = Alert("power_low", NOW_MS - 9000, NOW_MS, None, int(cycle[1]), EVIL, EVIL, 1.0, 2.0, 3.0, EVIL)
    alert.causes = [Cause(EVIL, EVIL, EVIL)]
    scene.say("quay-dryer-3", AlertChanged(NOW_MS, alert))
    scene.close()
    app = create_app(parts)
    app.config["TESTING"] = True
    return app.test_client()


PAGES = ("/", "/board", "/alerts", "/cycles", "/meters", "/statement", "/soak/", "/soak/new/quay-dryer-3",
         "/machines/quay-dryer-3", "/machines/quay-dryer-3/file", "/machines/quay-dryer-3/programmes",
         "/machines/quay-dryer-3/when", "/machines/quay-dryer-3/compare", "/machines/pier-washer-4")  # fmt: skip


def test_nobody_writes_script_into_a_page(hostile: FlaskClient) -> None:
    met = 0
    for page in (*PAGES, cycle_path(hostile, "quay-dryer-3"), f"/<script>alert(1)</script>?{EVIL}"):
        html = hostile.get(page).get_data(as_text=True)
        assert "<script>alert" not in html, page
        assert "<img" not in html, page
        met += "&lt;script&gt;alert" in html
    assert met > 8  # it was there, and harmless


def test_what_a_form_sends_back_is_harmless(hostile: FlaskClient) -> None:
    form = {"csrf_token": token(hostile, "/machines/quay-dryer-3/file"), "text": EVIL, "name": EVIL, "why": EVIL}
    html = hostile.post("/machines/quay-dryer-3/file", data=form).get_data(as_text=True)
    assert "&lt;script&gt;" in html
    assert "<script>alert" not in html
    form = {"csrf_token": token(hostile, "/alerts"), "back": EVIL, "what": "note", "text": "", "name": EVIL}
    assert hostile.post("/alerts/1/seen", data=form).headers["Location"] == "/alerts"
    assert "<script>alert" not in hostile.get("/alerts").get_data(as_text=True)


def test_a_report_runs_nothing_and_belongs_to_its_test(client: FlaskClient, parts: Parts) -> None:
    scene = Seed(parts.queries.ledger.parent)
    with scene.ledger.transaction():
        db = scene.ledger.db
        test = db.execute("SELECT id FROM soak_test").fetchone()[0]
        names = [row[1] for row in db.execute("PRAGMA table_info(soak_report)")]
        values = {"id": "2026-0001-A", "test": test, "html": f"<p>{EVIL}</p>", "issued_ms": NOW_MS,
                  "authorised_by": "x", "finding": "met"}  # fmt: skip
        known = {n: values.get(n) for n in names if n in values}
        db.execute(
            f"INSERT INTO soak_report ({', '.join(known)}) VALUES ({', '.join('?' * len(known))})", list(known.values())
        )
    scene.close()
    answer = client.get("/soak/2026-0001/report/2026-0001-A")
    assert answer.status_code == 200
    assert answer.headers["Content-Security-Policy"] == REPORT_POLICY
    assert "script-src" not in REPORT_POLICY  # default-src 'none' stands for it
    assert "allow-scripts" not in REPORT_POLICY
    assert client.get("/soak/2026-0002/report/2026-0001-A").status_code == 404


@pytest.mark.parametrize(
    "path",
    [
        "/static/../server.py", "/static/%2e%2e/server.py", "/static/..%2fserver.py", "/static/%2fetc/passwd",
        "/soak/2026-0001/report/..%2f..%2f..%2fetc%2fpasswd", "/soak/..%2f..%2fetc/report/passwd.pdf",
        "/machines/..%2f..%2fetc%2fpasswd/file", "/machines/%00/file", "/chart/../../etc/passwd",
    ],
)  # fmt: skip
def test_no_address_climbs_out(client: FlaskClient, path: str) -> None:
    answer = client.get(path, follow_redirects=True)
    assert answer.status_code == 404
    assert b"root:" not in answer.data
    assert b"def start" not in answer.data


def test_a_name_in_the_csv_is_no_formula(client: FlaskClient, parts: Parts) -> None:
    scene = Seed(parts.queries.ledger.parent)
    text = machine_text("quay-dryer-3").replace(
        'name = "Dryer 3, quay side"', "name = \"=HYPERLINK('http://evil.example')\""
    )
    text = text.replace('name = "Cupboard dry"', 'name = "@SUM(1)"')
    with scene.ledger.transaction():
        scene.ledger.put_machine(parse_machine(text, "test"), "m3", text)
    scene.close()
    rows = list(csv.DictReader(io.StringIO(client.get("/statement.csv?month=2026-11").get_data(as_text=True))))
    mine = [row for row in rows if row["machine"] == "quay-dryer-3"]
    assert mine
    for row in rows:
        for column, cell in row.items():
            assert cell[:1] not in ("=", "+", "@", "\t"), (column, cell)
            if cell.startswith("-"):
                float(cell)  # a negative amount stays a number


NUMBERS = st.one_of(
    st.integers(-(10**25), 10**25).map(str),
    st.sampled_from(["", "x", "-1", "1e9", "NaN", "0x10", "９", "9" * 400, "2026-13", "0001-01", "9999-12", "0000-00"]),
)
QUERIES = ("/api/machines/quay-washer-1/trace?from_ms={a}&to_ms={b}&columns={c}",
           "/api/machines/quay-washer-1/timeline?cycle={a}&from_ms={b}&to_ms={c}",
           "/api/machines/quay-washer-1/cycles?before_ms={a}&limit={b}", "/api/machines/quay-washer-1/cycles/{a}",
           "/cycles?before={a}", "/machines/quay-washer-1?before={a}", "/machines/quay-washer-1/cycles/{a}",
           "/machines/quay-washer-1/when?hours={a}&programme={b}", "/machines/quay-washer-1/compare?a={a}&b={b}",
           "/statement?month={a}", "/statement.csv?month={a}")  # fmt: skip


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> FlaskClient:
    folder = tmp_path_factory.mktemp("steady")
    seeded_parts(folder)
    app = create_app(parts_over(folder))
    return app.test_client()  # not TESTING: what fails answers 500, as in life


@example("/statement?month={a}", "9999-12", "", "")
@example("/machines/quay-washer-1/compare?a={a}&b={b}", "9" * 25, "", "")
@example("/cycles?before={a}", "9" * 25, "", "")
@given(st.sampled_from(QUERIES), NUMBERS, NUMBERS, NUMBERS)
@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_number_breaks_a_page(steady: FlaskClient, query: str, a: str, b: str, c: str) -> None:
    answer = steady.get(query.format(a=a, b=b, c=c))
    assert answer.status_code in (200, 302, 303, 400, 404), query.format(a=a, b=b, c=c)


def test_a_flood_is_refused_before_it_is_taken_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten gigabytes announced: the answer is there before the first of them, and nothing is put by on the card."""
    put_by: list[object] = []
    real = tempfile.TemporaryFile
    monkeypatch.setattr(tempfile, "TemporaryFile", lambda *a, **k: put_by.append(a) or real(*a, **k))
    with served(seeded_parts(tmp_path)) as address:
        host, port = re.sub("https?://", "", address).split(":")
        with socket.create_connection((host, int(port)), timeout=20) as s:
            s.sendall(
                f"POST /alerts/1/seen HTTP/1.1\r\nHost: {host}\r\nContent-Type: application/x-www-form-urlencoded\r\n"
                f"Content-Length: 10000000000\r\n\r\n".encode()
            )
            assert b" 413 " in s.recv(200)
        with socket.create_connection((host, int(port)), timeout=20) as s:
            s.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nX: " + b"a" * 100_000 + b"\r\n\r\n")
            assert b" 431 " in s.recv(200)
    assert put_by == []


def test_a_form_of_very_many_fields_is_refused(client: FlaskClient) -> None:
    csrf = token(client, "/alerts")
    part = '--x\r\nContent-Disposition: form-data; name="{}"\r\n\r\n{}\r\n'
    parts = "".join(part.format(f"f{i}", 1) for i in range(2000))
    sent = client.post(
        "/alerts/seen",
        data=f"{part.format('csrf_token', csrf)}{parts}--x--",
        content_type="multipart/form-data; boundary=x",
    )
    assert sent.status_code == 413
