"""The chart's own files, served from the installed package, never from another machine; and our mark, which browsers
ask for beside a page that names none (a report on paper)."""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path

from flask import Blueprint, Response, current_app, send_file
from loadbook.errors import StartError

blueprint = Blueprint("files", __name__)

A_DAY_S = 86_400


@cache
def chart_folder() -> Path:
    """Where the wheel ``uplot-python`` keeps the chart library (found without importing its Python side)."""
    spec = find_spec("uplot")
    for place in (spec.submodule_search_locations or ()) if spec else ():
        if (Path(place) / "static" / "uPlot.iife.js").is_file():
            return Path(place) / "static"
    raise StartError("the chart library is not installed; run: pip install uplot-python")


@blueprint.get("/chart/uplot.js")
def chart_script() -> Response:
    """The chart library's script."""
    return send_file(chart_folder() / "uPlot.iife.js", mimetype="text/javascript", max_age=A_DAY_S)


@blueprint.get("/chart/uplot.css")
def chart_style() -> Response:
    """The chart library's style sheet."""
    return send_file(chart_folder() / "uPlot.min.css", mimetype="text/css", max_age=A_DAY_S)


@blueprint.get("/favicon.ico")
def mark() -> Response:
    """Our mark."""
    return current_app.send_static_file("mark.svg")
