"""Cautions: what Loadbook is not, and what may be done by whom."""

from __future__ import annotations

from flask import Blueprint, render_template

blueprint = Blueprint("about", __name__)


@blueprint.get("/cautions")
def page() -> str:
    """The cautions, whole."""
    return render_template("about.html")
