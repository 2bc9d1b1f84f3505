"""Who asks, and what he may: looked at once for every request, before any page sees it.

Free is only a dashboard that listens on loopback with no proxy before it and knows nobody: the demo, a try on one's own
computer. Else to look takes a session or a token, unless the settings leave reading to everybody; to change anything
always does. A form's token is held against requests of other pages for all but scripts, which bring their own.
"""

from __future__ import annotations

import ipaddress
import logging
from dataclasses import dataclass
from typing import Any, cast

from flask import Flask, abort, flash, g, redirect, request, session, url_for
from flask_wtf.csrf import CSRFProtect
from loadbook.errors import StartError
from loadbook.settings import Dashboard
from loadbook.store.people import Person
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response

from loadbook_dashboard.parts import Parts, parts

log = logging.getLogger(__name__)

COOKIE = "loadbook_entry"
OPEN = frozenset({
    "static", "files.chart_script", "files.chart_style", "files.mark", "about.page",
    "entry.page", "entry.sign_in", "entry.sign_out", "entry.passphrase",
})  # fmt: skip
"""Endpoints for everybody: nothing of the site is in them."""
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who asks. ``kind``: ``free``, ``person``, ``script`` or ``stranger``; the first and the last have no ``name``."""

    kind: str
    name: str | None
    look: bool
    change: bool
    person: Person | None = None

    @property
    def needs_a_name(self) -> bool:
        """Whether he has to say who he is, where it is written down who did something."""
        return self.kind == "free"


FREE = Visitor("free", None, look=True, change=True)


def is_loopback(address: str) -> bool:
    """Whether an address to listen on is reachable from this board alone."""
    if address == "localhost":
        return True
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def is_own(dashboard: Dashboard) -> bool:
    """Whether only this board's own users reach the dashboard: what a proxy lets in comes from loopback as well."""
    return is_loopback(dashboard.address) and not dashboard.behind_https


def who() -> Visitor:
    """Who asks now."""
    return cast(Visitor, g.visitor)


def author() -> str:
    """Who it is written down as that did something: who is signed in, or else the name he gave in the form."""
    visitor = who()
    if visitor.name is not None:
        return visitor.name
    name = request.form.get("name", "").strip()[:60]
    session["name"] = name
    return name


def your_name() -> str:
    """The name to put into a form: who is signed in, or the one he gave last."""
    return who().name or str(session.get("name", ""))


def local_path(path: str, otherwise: str) -> str:
    """``path`` if it leads to a page of this dashboard. Browsers read a backslash as a slash: two lead elsewhere."""
    plain = path.replace("\\", "/")
    return path if plain.startswith("/") and not plain.startswith("//") and path.isprintable() else otherwise


def visitor_of(here: Parts) -> Visitor:
    """Who asks. Raises StartError where it cannot be told."""
    now_ms = here.now_ms()
    if is_own(here.settings.dashboard) and not here.people.any():
        return FREE
    header = request.headers.get("Authorization", "")
    if header.startswith("Bearer "):
        script = here.people.of_token(header.removeprefix("Bearer ").strip(), now_ms)
        if script is None:
            abort(401, "The token is not known.")
        return Visitor("script", script.label, look=True, change=script.may == "change")
    person = here.people.of_session(request.cookies.get(COOKIE, ""), now_ms)
    if person is not None:
        return Visitor("person", person.name, look=True, change=person.may == "change", person=person)
    return Visitor("stranger", None, look=here.settings.dashboard.readers == "everybody", change=False)


def may_look(here: Parts) -> bool:
    """Whether who asked may look, now."""
    try:
        return visitor_of(here).look
    except (StartError, HTTPException):
        return False


def install(app: Flask, forms: CSRFProtect) -> None:
    """Put the gate before every page. ``forms`` is asked here, not by itself."""

    @app.before_request
    def _gate() -> Any:
        try:
            visitor = visitor_of(parts())
        except StartError as bad:
            g.visitor = Visitor("stranger", None, look=False, change=False)
            log.error("%s", bad)
            abort(503, "Who may look and change cannot be read now, so nobody may. The dashboard's log says more.")
        g.visitor = visitor
        if request.method not in SAFE and visitor.kind != "script" and app.config["WTF_CSRF_ENABLED"]:
            forms.protect()
        if request.endpoint is None or request.endpoint in OPEN:
            return None
        if request.method in SAFE:
            return None if visitor.look else _refused(visitor)
        return None if visitor.change else _refused(visitor)

    @app.context_processor
    def _who() -> dict[str, Any]:
        return {"page_path": page_path(), "your_name": your_name()}

    app.jinja_env.globals["who"] = who


def page_path() -> str:
    """The page a person would go back to: a part of a page stands for the whole of it."""
    return request.path.removesuffix("/part") if request.method in SAFE else ""


def _refused(visitor: Visitor) -> Response:
    if visitor.kind == "stranger" and _by_a_person():
        if request.method in SAFE:
            return redirect(url_for("entry.page", next=request.full_path.rstrip("?")), 303)
        flash("Sign in first. Nothing was changed.", "refused")
        return redirect(url_for("entry.page", next=local_path(request.form.get("back", ""), "/")), 303)
    if visitor.kind == "stranger":
        abort(401, "Sign in, or bring a token: Authorization: Bearer …")
    return abort(403, f"{visitor.name} may look, and change nothing.")


def _by_a_person() -> bool:
    """Whether a person's browser asks for a whole page, which can show the way to the door."""
    endpoint = request.endpoint or ""
    piece = endpoint == "live.events" or endpoint.split(".")[-1].endswith("part")
    return not (piece or request.path.startswith("/api/"))
