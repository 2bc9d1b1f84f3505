"""The dashboard: reads the store and the ledger, asks the recorder over MQTT when something must change.

``create_app`` makes the Flask application from its parts; ``loadbook_dashboard.server`` makes the real parts and
serves it.
"""

from __future__ import annotations

import ipaddress
import secrets
import socket
from typing import Any

from flask import Flask, Response, abort, g, render_template, request
from flask_wtf.csrf import CSRFError, CSRFProtect
from loadbook import __version__
from loadbook.meters.sink import GAP_CHECKS, GAP_REASONS
from loadbook.store.sqlite_readings import StoreError
from werkzeug.exceptions import HTTPException
from werkzeug.routing import IntegerConverter

from loadbook_dashboard import api, gate, live, words
from loadbook_dashboard.pages import (
    about,
    alerts,
    board,
    compare,
    costs,
    cycles,
    entry,
    files,
    machine_file,
    meters,
    now,
    soak,
)
from loadbook_dashboard.parts import Parts
from loadbook_dashboard.queries import NotReadyError
from loadbook_dashboard.standing import ASIDE_HOURS

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'; manifest-src 'self'"
)
LONGEST_BODY = 1_000_000
"""No form is longer, bytes."""
HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), usb=(), serial=()",
}


class Whole(IntegerConverter):
    """A whole number in an address that every database can hold: more digits lead nowhere."""

    regex = r"\d{1,16}"


def create_app(parts: Parts) -> Flask:
    """The application. Its secret lives as long as the process: a page older than that reads itself afresh."""
    app = Flask(__name__, template_folder="pages", static_folder="static")
    app.url_map.converters["int"] = Whole
    app.config.update(
        SECRET_KEY=secrets.token_bytes(32),
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SECURE=parts.settings.dashboard.behind_https,
        SESSION_COOKIE_NAME="loadbook",
        WTF_CSRF_TIME_LIMIT=None,  # a page left open overnight must still be able to say "seen" in the morning
        WTF_CSRF_CHECK_DEFAULT=False,  # the gate asks: a script brings a token of its own instead
        MAX_CONTENT_LENGTH=LONGEST_BODY,
        MAX_FORM_PARTS=400,
    )
    app.extensions["loadbook"] = parts
    for room in (
        now,
        entry,
        machine_file,
        board,
        compare,
        costs,
        cycles,
        alerts,
        meters,
        soak,
        about,
        files,
        api,
        live,
    ):
        app.register_blueprint(room.blueprint)
    _words(app, parts)
    _guard(app, parts)
    gate.install(app, CSRFProtect(app))
    _errors(app)
    return app


def _words(app: Flask, parts: Parts) -> None:
    """What every template may say."""
    for name in (
        "watts", "bands", "kwh", "volts", "money", "duration", "exact_duration", "measured", "between", "plain",
        "number", "unbroken", "part_name", "phase_name", "programme_name",
    ):  # fmt: skip
        app.add_template_filter(getattr(words, name), name)
    time = parts.time
    app.add_template_filter(time.time, "time")
    app.add_template_filter(time.time_s, "time_s")
    app.add_template_filter(time.day, "day")
    app.add_template_filter(lambda at_ms: time.when(at_ms, parts.now_ms()), "when")
    app.add_template_filter(lambda text: text[:1].lower() + text[1:], "lower_first")
    app.jinja_env.globals["words"] = words
    app.jinja_env.globals["gap_reasons"] = GAP_REASONS
    app.jinja_env.globals["gap_checks"] = GAP_CHECKS
    app.jinja_env.globals["aside_hours"] = ASIDE_HOURS

    @app.context_processor
    def _always() -> dict[str, Any]:
        return {
            "site": parts.settings.site,
            "now_ms": parts.now_ms(),
            "speed": parts.speed,
            "boot": parts.boot,
            "version": __version__,
        }


def host_is_known(host: str, trusted: tuple[str, ...]) -> bool:
    """Whether a request's Host may be answered: an address, this board's own name, or a name from the settings.

    A name somebody else's page could have pointed at us (DNS rebinding) is none of these.
    """
    name = host.rsplit("]", 1)[0].lstrip("[") if host.startswith("[") else host.rsplit(":", 1)[0]
    name = name.lower().rstrip(".")
    own = socket.gethostname().lower()
    if name in {"localhost", own, f"{own}.local", *(t.lower() for t in trusted)}:
        return True
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _guard(app: Flask, parts: Parts) -> None:
    @app.before_request
    def _host() -> None:
        if not host_is_known(request.host, parts.settings.dashboard.trusted_hosts):
            abort(400, "This name is not among dashboard.trusted_hosts in the settings.")

    @app.after_request
    def _headers(response: Response) -> Response:
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        if parts.settings.dashboard.behind_https:
            response.headers.setdefault("Strict-Transport-Security", "max-age=31536000")
        if response.status_code == 401 and request.path.startswith("/api/"):
            response.headers.setdefault("WWW-Authenticate", "Bearer")
        if request.endpoint not in ("static", "files.chart_script", "files.chart_style"):
            response.headers.setdefault("Cache-Control", "no-store")
        return response


def _errors(app: Flask) -> None:
    def page(code: int, title: str, text: str) -> tuple[str, int] | tuple[dict[str, str], int]:
        if request.path.startswith("/api/") or "visitor" not in g:
            return {"error": f"{title}. {text}"}, code
        return render_template("problem.html", title=title, text=text), code

    @app.errorhandler(NotReadyError)
    def _not_ready(bad: NotReadyError) -> Any:
        text = "The recorder has not written to this store yet. Is it running? It is started by `loadbook run` or "
        text += "`loadbook record`; on an installed board look at: systemctl status loadbook-record"
        return page(503, "Nothing is recorded yet", text)

    @app.errorhandler(StoreError)
    def _away(bad: StoreError) -> Any:
        return page(503, "Readings of that time cannot be had now", str(bad))

    @app.errorhandler(CSRFError)
    def _stale(bad: CSRFError) -> Any:
        return page(400, "This page was too old", "Nothing was changed. Go back, read the page afresh and try again.")

    @app.errorhandler(HTTPException)
    def _http(bad: HTTPException) -> Any:
        if bad.code == 404:
            return page(404, "There is nothing here", "The address names no page, machine or cycle of this site.")
        return page(bad.code or 500, bad.name, bad.description or "")
