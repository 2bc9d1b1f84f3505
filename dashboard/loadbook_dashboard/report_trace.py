"""The trace of one cycle as an SVG picture for paper: power over time, phases laid along it in words, what they should
draw under it, findings as numbered marks. Takes the lowest and highest per column, so no spike is lost. Black and white
is enough to read it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

WIDTH, HEIGHT = 1000, 232
LEFT, RIGHT, TOP, BOTTOM = 58, 12, 24, 50
STRIP = 24
# The paper's renderer does not apply a page's style sheet inside a picture, so every shape carries its own look.
INK, GREY, PALE, RED = "#333333", "#595959", "#c4c4c4", "#a40000"
LOOK = {
    "grid": f'stroke="{PALE}" stroke-width="0.6"',
    "tick": f'fill="{INK}" font-size="11"',
    "expected": 'fill="#dcdcdc" stroke="none"',
    "edge": f'stroke="{GREY}" stroke-width="0.6" stroke-dasharray="4 2.5"',
    "power": f'fill="{INK}" stroke="{INK}" stroke-width="0.5"',
    "span": f'fill="#ececec" stroke="{GREY}" stroke-width="0.7"',
    "span wrong": f'fill="#ffffff" stroke="{RED}" stroke-width="1.1" stroke-dasharray="5 3"',
    "phase": 'fill="#1a1a1a" font-size="11"',
    "pin": f'fill="#ffffff" stroke="{RED}" stroke-width="1"',
    "pin number": f'fill="{RED}" font-size="11" font-weight="bold"',
}

TICK_STEPS_W = (1, 2, 5, 10, 20, 50, 100, 200, 250, 500, 1000, 2000, 5000, 10_000)
TICK_STEPS_MIN = (1, 2, 5, 10, 15, 20, 30, 60, 120, 240, 480)


@dataclass(frozen=True, slots=True)
class Span:
    """A phase on the strip beneath the trace, and the bands of watts that its parts may draw, laid under the trace."""

    start_ms: int
    end_ms: int
    words: str
    wrong: bool = False
    expected_w: Sequence[tuple[float, float]] = ()


@dataclass(frozen=True, slots=True)
class Mark:
    """A finding, numbered as in the list beside the picture."""

    at_ms: int
    number: int


def _step(span: float, wanted: int, steps: Sequence[int]) -> int:
    return next((s for s in steps if span / s <= wanted), steps[-1])


def draw(
    at_ms: npt.NDArray[np.int64],
    low_w: npt.NDArray[np.float64],
    high_w: npt.NDArray[np.float64],
    *,
    spans: Sequence[Span],
    marks: Sequence[Mark],
    zone: ZoneInfo,
    title: str,
) -> str:
    """An ``<svg>`` element. ``at_ms`` are the columns' beginnings, ``low_w`` and ``high_w`` their extremes (NaN: no
    reading); all of shape [n], n at least 1. ``title`` is the text for those who cannot see it.
    """
    start, end = int(at_ms[0]), int(at_ms[-1]) + 1
    known = high_w[np.isfinite(high_w)]
    tops_w = [high for span in spans for _, high in span.expected_w]
    top_w = max(float(known.max()) if known.size else 0.0, 10.0, *tops_w)
    tick_w = _step(top_w * 1.05, 5, TICK_STEPS_W)
    full_w = tick_w * np.ceil(top_w * 1.02 / tick_w)
    plot_h = HEIGHT - TOP - BOTTOM

    def x(ms: float) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * (min(max(ms, start), end) - start) / max(end - start, 1), 1)

    def y(watts: float) -> float:
        return round(float(TOP + plot_h * (1 - watts / full_w)), 1)

    out = [
        f'<svg class="trace" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" font-family="DejaVu Sans, sans-serif" xmlns="http://www.w3.org/2000/svg">',
        f"<title>{escape(title)}</title>",
    ]
    out += _expected(spans, x, y)
    for watts in range(0, int(full_w) + 1, tick_w):
        out.append(f'<line {LOOK["grid"]} x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(watts)}" y2="{y(watts)}"/>')
        out.append(f'<text {LOOK["tick"]} x="{LEFT - 6}" y="{y(watts) + 4}" text-anchor="end">{watts}</text>')
    out.append(f'<text {LOOK["tick"]} x="{LEFT - 6}" y="{TOP - 12}" text-anchor="end">W</text>')
    out += _time_ticks(start, end, x, zone)
    out += _area(at_ms, low_w, high_w, x, y)
    base = TOP + plot_h
    for span in spans:
        left, right = x(span.start_ms), x(span.end_ms)
        kind = "span wrong" if span.wrong else "span"
        width = max(right - left, 0.5)
        out.append(f'<rect {LOOK[kind]} x="{left}" y="{base + 22}" width="{width:.1f}" height="{STRIP}"/>')
        if width > 7.2 * len(span.words):
            place = f'x="{(left + right) / 2:.1f}" y="{base + 38}" text-anchor="middle"'
            out.append(f"<text {LOOK['phase']} {place}>{escape(span.words)}</text>")
    for mark in marks:
        at = x(mark.at_ms)
        out.append(f'<line {LOOK["pin"]} x1="{at}" x2="{at}" y1="{TOP}" y2="{base + 22 + STRIP}"/>')
        out.append(f'<circle {LOOK["pin"]} cx="{at}" cy="{TOP - 9}" r="9"/>')
        out.append(f'<text {LOOK["pin number"]} x="{at}" y="{TOP - 5}" text-anchor="middle">{mark.number}</text>')
    out.append("</svg>")
    return "\n".join(out)


def _expected(spans: Sequence[Span], x: Callable[[float], float], y: Callable[[float], float]) -> list[str]:
    out = []
    for span in spans:
        left, right = x(span.start_ms), x(span.end_ms)
        for low, high in span.expected_w:
            place = f'x="{left}" width="{max(right - left, 0.5):.1f}"'
            out.append(f'<rect {LOOK["expected"]} {place} y="{y(high)}" height="{max(y(low) - y(high), 0.5):.1f}"/>')
            for edge in (y(low), y(high)):
                out.append(f'<line {LOOK["edge"]} x1="{left}" x2="{right}" y1="{edge}" y2="{edge}"/>')
    return out


def _time_ticks(start: int, end: int, x: Callable[[float], float], zone: ZoneInfo) -> list[str]:
    step_ms = _step((end - start) / 60_000, 9, TICK_STEPS_MIN) * 60_000
    offset = datetime.fromtimestamp(start / 1000, zone).utcoffset()
    shift = int(offset.total_seconds() * 1000) if offset else 0
    out = []
    first = -(-(start + shift) // step_ms) * step_ms - shift
    base = HEIGHT - BOTTOM
    for at in range(first, end, step_ms):
        place = x(at)
        words = datetime.fromtimestamp(at / 1000, zone).strftime("%H:%M")
        out.append(f'<line {LOOK["grid"]} x1="{place}" x2="{place}" y1="{base}" y2="{base + 4}"/>')
        out.append(f'<text {LOOK["tick"]} x="{place}" y="{base + 16}" text-anchor="middle">{words}</text>')
    return out


def _area(
    at_ms: npt.NDArray[np.int64],
    low_w: npt.NDArray[np.float64],
    high_w: npt.NDArray[np.float64],
    x: Callable[[float], float],
    y: Callable[[float], float],
) -> list[str]:
    """The band between lowest and highest of each run of columns without a gap, drawn as one outline."""
    out = []
    finite = np.isfinite(high_w) & np.isfinite(low_w)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], finite.astype(np.int8), [0]))))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        up = [f"{x(t)},{y(w)}" for t, w in zip(at_ms[first:last], high_w[first:last], strict=True)]
        down = [f"{x(t)},{y(w)}" for t, w in zip(at_ms[first:last], low_w[first:last], strict=True)]
        out.append(f'<polygon {LOOK["power"]} points="{" ".join([*up, *reversed(down)])}"/>')
    return out
