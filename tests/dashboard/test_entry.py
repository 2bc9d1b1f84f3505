"""Who may look and who may change: free on loopback with nobody known, else a session, a token, or the door."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from shutil import copytree
from urllib.request import Request, urlopen

import pytest
from flask import Flask, request
from flask.testing import FlaskClient
from loadbook.store.people import PEOPLE_FILE
from loadbook_dashboard import create_app
from loadbook_dashboard.gate import COOKIE, OPEN
from loadbook_dashboard.parts import Parts
from loadbook_dashboard.people import IDLE_MS, LONGEST_MS
from loadbook_dashboard.web import Web
from seeded import NOW_MS
from served import parts_over
from test_pages import text_of, token

WORDS = "lantern gravel seven otter"
NETWORK = 'address = "0.0.0.0"'
HOUR_MS = 3_600_000


class Clock:
    """A wall clock that goes when it is told to."""

    def __init__(self) -> None:
        self.ms = NOW_MS

    def __call__(self) -> int:
        return self.ms


@pytest.fixture
def clock() -> Clock:
    return Clock()


Make = Callable[..., tuple[Flask, Parts]]


@pytest.fixture
def make(store: Path, tmp_path: Path, clock: Clock) -> Make:
    """An application; ``dashboard`` are lines of its settings, ``known`` whether Mira and Ole are known."""

    def made(dashboard: str = NETWORK, known: bool = True) -> tuple[Flask, Parts]:
        folder = tmp_path / "store"
        if not folder.exists():
            copytree(store, folder)
        parts = parts_over(folder, clock, dashboard)
        if known:
            parts.people.put("Mira", WORDS, "change", clock())
            parts.people.put("Ole", WORDS, "look", clock())
        app = create_app(parts)
        app.config["TESTING"] = True
        return app, parts

    return made


def sign_in(client: FlaskClient, name: str = "Mira", passphrase: str = WORDS, next_page: str = "/") -> int:
    form = {"csrf_token": token(client, "/sign-in"), "name": name, "passphrase": passphrase, "next": next_page}
    return client.post("/sign-in", data=form).status_code


def addresses(app: Flask, method: str) -> list[tuple[str, str]]:
    """(endpoint, address) of every rule for a method, with an example in place of what varies."""
    examples = {"machine": "quay-washer-1", "key_ms": 1, "alert_id": 1, "number": "2026-0001", "report_id": "x",
                "kind": "power_low", "filename": "book.css"}  # fmt: skip
    with app.test_request_context():
        adapter = app.create_url_adapter(None) or app.url_map.bind("localhost")
        found = []
        for rule in app.url_map.iter_rules():
            if method in (rule.methods or ()):
                values = {name: examples[name] for name in rule.arguments}
                found.append((rule.endpoint, adapter.build(rule.endpoint, values)))
        return found


# ---------------------------------------------------------------------------------------------------- strangers


def test_nothing_of_the_site_is_shown_to_a_stranger(make: Make) -> None:
    app, _ = make()
    names = b"quay side", b"harbour kitchen", b"Ines Vale", b"pier-dish-5"
    seen = 0
    for endpoint, address in addresses(app, "GET"):
        answer = app.test_client().get(address)
        if endpoint in OPEN:
            assert answer.status_code == 200, address
        elif address.startswith("/api/") or address.endswith("/part") or address in ("/events", "/now/summary"):
            assert answer.status_code == 401, address
        elif not address.startswith("/now/"):
            assert (answer.status_code, answer.headers["Location"].split("?")[0]) == (303, "/sign-in"), address
        assert not any(name in answer.data for name in names), address
        seen += 1
    assert seen > 30


@pytest.mark.parametrize("readers", ["people", "everybody"])
def test_nothing_is_changed_by_a_stranger(make: Make, readers: str) -> None:
    app, parts = make(f'{NETWORK}\nreaders = "{readers}"')
    posts = [(e, a) for e, a in addresses(app, "POST") if e not in OPEN]
    assert len(posts) > 10
    for _, address in posts:
        client = app.test_client()
        form = {"csrf_token": token(client, "/sign-in"), "name": "x", "text": "x", "reason": "x", "hours": "1"}
        answer = client.post(address, data=form)
        assert (answer.status_code, answer.headers["Location"].split("?")[0]) == (303, "/sign-in"), address
    assert parts.asker.asked == []  # type: ignore[attr-defined]


def test_no_form_is_taken_without_its_token_from_anybody(make: Make) -> None:
    for dashboard, known in ((NETWORK, True), ("", False)):
        app, parts = make(dashboard, known=known)
        client = app.test_client()
        if known:
            sign_in(client)
        for _, address in addresses(app, "POST"):
            assert client.post(address, data={"name": "x", "text": "x"}).status_code == 400, address
        assert parts.asker.asked == []  # type: ignore[attr-defined]


def test_reading_may_be_left_to_everybody(make: Make) -> None:
    app, _ = make(f'{NETWORK}\nreaders = "everybody"')
    client = app.test_client()
    said = text_of(client, "/alerts")
    assert "Heater draws too little" in said
    assert "Sign in to mark it as seen." in said
    assert client.get("/api/alerts").status_code == 200
    for page in ("/machines/quay-dryer-3/file", "/soak/2026-0001", "/soak/new/quay-dryer-3", "/machines/quay-dryer-3"):
        html = client.get(page).get_data(as_text=True)
        assert "<form" not in html.replace('<form class="choose"', ""), page


def test_on_the_network_with_nobody_known_nothing_is_shown(make: Make) -> None:
    app, _ = make(known=False)
    client = app.test_client()
    assert client.get("/").headers["Location"].startswith("/sign-in")
    assert "Nobody is known here yet" in text_of(client, "/sign-in")


def test_on_loopback_it_is_free_until_somebody_is_known(make: Make, clock: Clock) -> None:
    app, parts = make("", known=False)
    client = app.test_client()
    assert client.get("/").status_code == 200
    form = {"csrf_token": token(client, "/alerts"), "name": "Bo", "what": "seen"}
    known = parts.open_alerts()[0]
    client.post(f"/alerts/{known.id}/seen", data=form)
    assert parts.asker.asked[0][1]["by"] == "Bo"  # type: ignore[attr-defined]
    parts.people.put("Mira", WORDS, "change", clock())
    assert client.get("/").status_code == 303


def test_a_file_of_people_that_cannot_be_read_shuts_the_door(make: Make, tmp_path: Path) -> None:
    app, _ = make("", known=False)
    (tmp_path / "store" / PEOPLE_FILE).write_bytes(b"not a database" * 100)
    answer = app.test_client().get("/")
    assert answer.status_code == 503
    assert b"quay side" not in answer.data


# ---------------------------------------------------------------------------------------------------- people


def test_who_signed_in_looks_changes_and_is_written_down(make: Make) -> None:
    app, parts = make()
    client = app.test_client()
    assert sign_in(client, "mira", next_page="/alerts") == 303
    said = text_of(client, "/alerts")
    assert "Your name" not in said
    assert " Mira " in said
    known = parts.open_alerts()[0]
    form = {"csrf_token": token(client, "/alerts"), "name": "Somebody Else", "what": "seen"}
    client.post(f"/alerts/{known.id}/seen", data=form)
    assert parts.asker.asked == [  # type: ignore[attr-defined]
        ("alert_seen", {"machine": known.machine, "key": known.alert.key, "by": "Mira"})
    ]


def test_who_may_only_look_changes_nothing(make: Make) -> None:
    app, parts = make()
    client = app.test_client()
    sign_in(client, "Ole")
    assert "You may look, and change nothing." in text_of(client, "/alerts")
    form = {"csrf_token": token(client, "/sign-in"), "what": "seen"}
    for endpoint, address in addresses(app, "POST"):
        if endpoint not in OPEN:
            assert client.post(address, data=form).status_code == 403, address
    assert parts.asker.asked == []  # type: ignore[attr-defined]


def test_what_a_proxy_lets_in_is_not_free_because_it_comes_from_loopback(make: Make) -> None:
    app, _ = make("behind_https = true", known=False)
    answer = app.test_client().get("/cycles")
    assert answer.status_code == 303 and "/sign-in" in answer.headers["Location"]
    assert make("", known=False)[0].test_client().get("/cycles").status_code == 200


@pytest.mark.parametrize("behind_proxy", [True, False])
def test_whom_the_proxy_names_is_who_asks(behind_proxy: bool) -> None:
    """Else one who tries passphrases would make everybody behind the proxy wait. Addresses of RFC 5737."""
    app = Flask("asked")
    app.add_url_rule("/", view_func=lambda: request.remote_addr or "")
    web = Web(app, "127.0.0.1", 0, threads=2, behind_proxy=behind_proxy)
    web.start()
    try:
        asked = []
        for said in ("203.0.113.7", "198.51.100.9, 203.0.113.7", None):
            what = Request(f"http://127.0.0.1:{web.port}/", headers={"X-Forwarded-For": said} if said else {})
            with urlopen(what, timeout=30) as answer:
                asked.append(answer.read().decode())
    finally:
        web.stop()
    assert asked == (["203.0.113.7", "203.0.113.7", "127.0.0.1"] if behind_proxy else ["127.0.0.1"] * 3)


def test_the_cookie_is_a_random_secret_that_scripts_of_pages_cannot_read(make: Make, tmp_path: Path) -> None:
    app, _ = make(f"{NETWORK}\nbehind_https = true")
    client = app.test_client()
    form = {"csrf_token": token(client, "/sign-in"), "name": "Mira", "passphrase": WORDS}
    secure = {"base_url": "https://localhost"}
    form["csrf_token"] = re.search(  # the form's own cookie goes over HTTPS only
        r'csrf_token" value="([^"]+)"', client.get("/sign-in", **secure).get_data(as_text=True)
    ).group(1)  # type: ignore[union-attr]
    answer = client.post("/sign-in", data=form, **secure, headers={"Referer": "https://localhost/sign-in"})
    cookie = next(c for c in answer.headers.getlist("Set-Cookie") if c.startswith(COOKIE))
    assert all(word in cookie for word in ("HttpOnly", "SameSite=Lax", "Secure", "Path=/"))
    assert answer.headers["Strict-Transport-Security"]
    secret = cookie.split("=", 1)[1].split(";")[0]
    assert len(secret) >= 43  # 256 bits in base 64
    with closing(sqlite3.connect(tmp_path / "store" / PEOPLE_FILE)) as db:
        kept = "\n".join(str(row) for t in ("person", "session") for row in db.execute(f"SELECT * FROM {t}"))
    assert secret not in kept
    assert WORDS not in kept
    assert "scrypt:32768:8:1$" in kept
    assert (tmp_path / "store" / PEOPLE_FILE).stat().st_mode & 0o077 == 0


def test_signing_in_begins_a_new_session_and_out_ends_it_on_the_server(make: Make) -> None:
    app, _ = make()
    client = app.test_client()
    sign_in(client)
    first = client.get_cookie(COOKIE)
    assert first
    form = {"csrf_token": token(client, "/sign-in")}
    assert client.post("/sign-out", data=form).status_code == 303
    again = app.test_client()
    again.set_cookie(COOKIE, first.value)
    assert again.get("/").status_code == 303
    sign_in(client)
    second = client.get_cookie(COOKIE)
    assert second
    assert second.value != first.value


def test_a_session_ends_unused_and_in_any_case(make: Make, clock: Clock) -> None:
    app, _ = make()
    client = app.test_client()
    sign_in(client)
    begun_ms = clock.ms
    clock.ms += IDLE_MS - HOUR_MS
    assert client.get("/").status_code == 200
    while clock.ms + IDLE_MS - HOUR_MS < begun_ms + LONGEST_MS:
        clock.ms += IDLE_MS - HOUR_MS
        assert client.get("/").status_code == 200
    clock.ms = begun_ms + LONGEST_MS + 1000
    assert client.get("/").status_code == 303
    sign_in(client)
    clock.ms += IDLE_MS + 1000
    assert client.get("/").status_code == 303


def test_another_passphrase_or_none_ends_what_is_open(make: Make, clock: Clock) -> None:
    app, parts = make()
    here, elsewhere = app.test_client(), app.test_client()
    for client in (here, elsewhere):
        sign_in(client)
    form = {"csrf_token": token(here, "/sign-in"), "old": WORDS, "new": "anchor pickle drum south", "again": ""}
    assert here.post("/sign-in/passphrase", data=form).status_code == 400
    form["again"] = form["new"]
    assert here.post("/sign-in/passphrase", data={**form, "old": "wrong one here"}).status_code == 400
    assert elsewhere.get("/").status_code == 200
    assert here.post("/sign-in/passphrase", data=form).status_code == 303
    assert elsewhere.get("/").status_code == 303
    assert sign_in(here) == 401
    assert sign_in(here, passphrase="anchor pickle drum south") == 303
    parts.people.rows.remove_person("mira")
    assert here.get("/").status_code == 303


def test_a_stream_ends_soon_after_its_session(make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("loadbook_dashboard.live.LOOK_AGAIN_S", 0.0)
    app, parts = make()
    client = app.test_client()
    sign_in(client)
    stream = iter(client.get("/events").response)
    said = [next(stream) for _ in range(6)]
    assert any(b"hello" in text for text in said)
    parts.people.rows.end_sessions("Mira")
    assert len(list(stream)) < 5  # it ends by itself
    assert parts.hub.watching() == 0


# ---------------------------------------------------------------------------------------------------- failed tries


def test_failed_tries_make_one_wait_and_never_for_ever(make: Make, clock: Clock) -> None:
    app, _ = make()
    client = app.test_client()
    for _ in range(4):
        assert sign_in(client, passphrase="wrong") == 401
    assert sign_in(client) == 429  # also the right one: it is not even looked at
    clock.ms += 1_000
    assert sign_in(client, passphrase="wrong") == 401
    clock.ms += 1_000
    assert sign_in(client) == 429  # the wait has doubled
    clock.ms += 1_000
    assert sign_in(client) == 303
    for _ in range(4):  # and the tries are forgotten
        assert sign_in(client, passphrase="wrong") == 401


def test_nobody_is_locked_out_by_another_who_tries_in_his_name(make: Make, clock: Clock) -> None:
    _, parts = make()
    for n in range(18):
        clock.ms += 40_000
        parts.people.sign_in("Mira", "wrong", f"10.0.0.{n}", clock())
    clock.ms += 30_000
    assert parts.people.sign_in("Mira", WORDS, "10.0.1.1", clock()) is not None


def test_an_unknown_name_is_answered_like_a_wrong_passphrase(make: Make) -> None:
    app, _ = make()
    told = []
    for name in ("Mira", "Nobody"):
        client = app.test_client()
        form = {"csrf_token": token(client, "/sign-in"), "name": name, "passphrase": "wrong wrong"}
        html = client.post("/sign-in", data=form).get_data(as_text=True)
        told.append(re.sub(r'value="[^"]*"', "", html.replace(" autofocus", "")))
    assert told[0] == told[1]


@pytest.mark.parametrize(
    "elsewhere", ["https://evil.example/", "//evil.example/", "/\\evil.example", "\\\\evil.example", "javascript:x"]
)
def test_signing_in_leads_nowhere_else(make: Make, elsewhere: str) -> None:
    app, _ = make()
    client = app.test_client()
    form = {"csrf_token": token(client, "/sign-in"), "name": "Mira", "passphrase": WORDS, "next": elsewhere}
    assert client.post("/sign-in", data=form).headers["Location"] == "/"
    form = {"csrf_token": token(client, "/alerts"), "what": "note", "back": elsewhere}
    assert client.post("/alerts/1/seen", data=form).headers["Location"] == "/alerts"


# ---------------------------------------------------------------------------------------------------- scripts


def test_a_script_looks_with_its_token_and_changes_only_if_it_may(make: Make, clock: Clock) -> None:
    app, parts = make()
    looks = {"Authorization": f"Bearer {parts.people.new_token('backup', 'look', clock())}"}
    changes = {"Authorization": f"Bearer {parts.people.new_token('desk', 'change', clock())}"}
    client = app.test_client()
    refused = client.get("/api/machines")
    assert (refused.status_code, refused.headers["WWW-Authenticate"]) == (401, "Bearer")
    assert client.get("/api/machines", headers={"Authorization": "Bearer guessed"}).status_code == 401
    assert len(client.get("/api/machines", headers=looks).get_json()["machines"]) == 5
    known = parts.open_alerts()[0]
    assert client.post(f"/alerts/{known.id}/seen", data={"what": "seen"}, headers=looks).status_code == 403
    assert parts.asker.asked == []  # type: ignore[attr-defined]
    client.post(f"/alerts/{known.id}/seen", data={"what": "seen"}, headers=changes)
    assert parts.asker.asked[0][1]["by"] == "desk"  # type: ignore[attr-defined]
    parts.people.rows.remove_script("backup")
    assert client.get("/api/machines", headers=looks).status_code == 401
