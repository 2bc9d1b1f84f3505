"""The door: signing in and out, and one's own passphrase."""

from __future__ import annotations

from flask import Blueprint, abort, flash, redirect, render_template, request, session, url_for
from loadbook.errors import InputError
from werkzeug.wrappers import Response

from loadbook_dashboard.gate import COOKIE, local_path, who
from loadbook_dashboard.parts import parts
from loadbook_dashboard.people import LEAST_CHARACTERS, LONGEST_MS, WaitError

blueprint = Blueprint("entry", __name__)


def _address() -> str:
    return request.remote_addr or "unknown"


@blueprint.get("/sign-in")
def page() -> str:
    """The door for who is outside; for who is in, the way out and the passphrase."""
    return _show()


def _show(problem: str = "", name: str = "") -> str:
    here, visitor = parts(), who()
    return render_template(
        "entry.html",
        next=local_path(request.values.get("next", ""), "/"),
        problem=problem,
        name=name,
        nobody=visitor.kind == "stranger" and not here.people.any(),
        open_elsewhere=here.people.rows.sessions_of(visitor.person.name) - 1 if visitor.person else 0,
        least=LEAST_CHARACTERS,
        plain_http=not here.settings.dashboard.behind_https,
    )


@blueprint.post("/sign-in")
def sign_in() -> Response | str | tuple[str, int, dict[str, str]]:
    """Begin a session."""
    here = parts()
    name = request.form.get("name", "")
    try:
        found = here.people.sign_in(name, request.form.get("passphrase", ""), _address(), here.now_ms())
    except WaitError as wait:
        return _show(str(wait), name), 429, {"Retry-After": str(wait.seconds)}
    if found is None:
        return _show("Name or passphrase is not right.", name), 401, {}
    session.clear()  # a new session: what was known before it is forgotten, the form token with it
    answer = redirect(local_path(request.form.get("next", ""), "/"), 303)
    answer.set_cookie(
        COOKIE,
        found.secret,
        max_age=LONGEST_MS // 1000,
        httponly=True,
        samesite="Lax",
        secure=here.settings.dashboard.behind_https,
        path="/",
    )
    return answer


@blueprint.post("/sign-out")
def sign_out() -> Response:
    """End this session, or all others."""
    here, visitor = parts(), who()
    secret = request.cookies.get(COOKIE, "")
    if request.form.get("what") == "elsewhere":
        if visitor.person is None:
            abort(403)
        ended = here.people.sign_out_elsewhere(visitor.person, secret)
        flash(f"{ended} signed out elsewhere.", "done")
        return redirect(url_for(".page"), 303)
    if visitor.person is not None:
        here.people.sign_out(secret)
    session.clear()
    answer = redirect(url_for(".page"), 303)
    answer.delete_cookie(COOKIE, path="/")
    return answer


@blueprint.post("/sign-in/passphrase")
def passphrase() -> Response | str | tuple[str, int]:
    """Give oneself another passphrase, with the old one."""
    here, visitor = parts(), who()
    if visitor.person is None:
        abort(403)
    old, new, again = (request.form.get(name, "") for name in ("old", "new", "again"))
    if new != again:
        return _show("The new passphrase was not written the same twice. Nothing was changed."), 400
    try:
        here.people.change_passphrase(visitor.person, old, new, _address(), here.now_ms())
    except (InputError, WaitError) as bad:
        text = str(bad)
        return _show(f"{text[:1].upper()}{text[1:]}{'' if text.endswith('.') else '.'} Nothing was changed."), 400
    session.clear()
    flash("The passphrase is changed, and you are signed out everywhere. Sign in with the new one.", "done")
    answer = redirect(url_for(".page"), 303)
    answer.delete_cookie(COOKIE, path="/")
    return answer
