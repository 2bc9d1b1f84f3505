"""Every machine at a glance: what it does, since when, how long yet, and whether somebody is needed."""

from __future__ import annotations

from flask import Blueprint, abort, render_template, request

from loadbook_dashboard.glance import Glance
from loadbook_dashboard.parts import parts

blueprint = Blueprint("now", __name__)


def summary(glances: list[Glance]) -> tuple[str, str]:
    """The page in two sentences: whether somebody is needed, and what runs."""
    if not glances:
        return "No machine is set up yet.", ""
    needing = [g.name for g in glances if g.needed]
    running = sum(g.state == "running" for g in glances)
    silent = sum(g.state == "silent" for g in glances)
    said = f"{_of(running, len(glances))} running"
    if silent:
        said += f", {silent} not heard from"
    if not needing:
        return "Nobody is needed.", f"{said}."
    if len(needing) == 1:
        return f"{needing[0]} needs somebody.", f"{said}."
    return f"{len(needing)} machines need somebody.", f"{said}."


def _of(some: int, every: int) -> str:
    return f"{some or 'None'} of {every}" if every > 1 else ("It is" if some else "It is not")


@blueprint.get("/")
def page() -> str:
    """The page at a glance."""
    glances = parts().glances()
    return render_template("now.html", glances=glances, said=summary(glances))


@blueprint.get("/now/summary")
def summary_part() -> str:
    """The sentence alone, for the live page."""
    glances = parts().glances()
    return render_template("now_summary.html", glances=glances, said=summary(glances))


@blueprint.get("/now/<machine>")
def machine_part(machine: str) -> str:
    """One machine's row, for the live page; with ``alone`` for the machine's own page, which has its name above."""
    here = parts()
    row = here.queries.machine(machine)
    if row is None:
        abort(404)
    g = here.glance(row, here.open_alerts(machine))
    return render_template("now_machine.html", g=g, alone="alone" in request.args)
