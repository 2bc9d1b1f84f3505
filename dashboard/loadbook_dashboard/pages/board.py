"""The board: for a screen across the workshop. At most six tiles, two lines of each legible from two metres.

A capital must be at least 16 minutes of arc high (NUREG-0700: h = 6.283 D MA / 21600), 9.3 mm at 2 m: about 76 CSS
pixels of type on a ten-inch tablet. The sizes are in the style sheet; a test holds them.
"""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, render_template

from loadbook_dashboard.glance import Call, Glance
from loadbook_dashboard.parts import parts

blueprint = Blueprint("board", __name__)

TILES = 6
RANK = {"running": 1, "no_power": 1, "silent": 2, "finished": 3, "idle": 4}


@dataclass(slots=True)
class Tile:
    """What one tile says: a short name, a word or the time left, and a line for those who come nearer."""

    g: Glance
    name: str
    word: str
    left_ms: int | None
    line: str
    call: Call | None


def tile(g: Glance) -> Tile:
    """A machine's tile. The name's part before the comma is what fits."""
    call = next((c for c in g.calls if not c.seen), None)
    left_ms = (g.usual_done_ms or g.done_high_ms) if g.state == "running" else None
    line = ""
    if call is not None:
        line = f"{call.title}."
        if g.state != "silent":
            line += f" {g.word}{', ' + g.phase[:1].lower() + g.phase[1:] if g.phase else ''}."
    elif g.state == "running":
        line = g.phase or ""
        if g.usual_done_ms is None and g.done_high_ms is not None:
            line += ", at the latest by its chart"
    elif g.state == "finished" and g.since_ms is not None:
        line = f"{g.programme or 'Cycle'}, finished {parts().time.when(g.since_ms, parts().now_ms())}"
    elif g.since_ms is not None:
        line = f"since {parts().time.when(g.since_ms, parts().now_ms())}"
    if g.out_of_service_since_ms is not None:
        line = f"Out of service{': ' + g.out_of_service_reason if g.out_of_service_reason else ''}"
    return Tile(g, g.name.split(",")[0], g.word, left_ms, line, call)


def chosen(glances: list[Glance]) -> tuple[list[Glance], int]:
    """Six machines in the order of the settings, and how many are left out: first those who need nobody and rest."""
    if len(glances) <= TILES:
        return glances, 0
    ranked = sorted(glances, key=lambda g: (not g.needed, RANK.get(g.state, 5)))
    keep = {g.id for g in ranked[:TILES]}
    return [g for g in glances if g.id in keep], len(glances) - TILES


def _tiles() -> dict[str, object]:
    glances, left_out = chosen(parts().glances())
    return {"tiles": [tile(g) for g in glances], "left_out": left_out}


@blueprint.get("/board")
def page() -> str:
    """The board."""
    return render_template("board.html", **_tiles())


@blueprint.get("/board/part")
def part() -> str:
    """The tiles alone, for the live page."""
    return render_template("board_part.html", **_tiles())
