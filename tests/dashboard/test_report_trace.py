"""The picture for paper: well-formed, keeps spikes, leaves gaps open, says phases in words."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from loadbook_dashboard.report_trace import BOTTOM, HEIGHT, TOP, Mark, Span, draw

ZONE = ZoneInfo("Europe/Lisbon")
START = 1_780_000_000_000
SVG = "{http://www.w3.org/2000/svg}"


def picture(high: np.ndarray, low: np.ndarray | None = None, **more: object) -> ET.Element:
    at_ms = START + np.arange(len(high), dtype=np.int64) * 10_000
    options: dict = {"spans": [], "marks": [], "zone": ZONE, "title": "Cycle 1", **more}
    return ET.fromstring(draw(at_ms, high if low is None else low, high, **options))


def heights(svg: ET.Element) -> list[float]:
    points = " ".join(p.get("points", "") for p in svg.iter(f"{SVG}polygon"))
    return [float(y) for y in re.findall(r",(\S+)", points)]


def test_a_spike_in_one_column_is_drawn_to_its_full_height() -> None:
    high = np.full(900, 60.0)
    high[437] = 2000.0
    ys = heights(picture(high, np.full(900, 55.0)))
    full = max(t for t in (2000, 2500, 3000))
    assert min(ys) < TOP + (HEIGHT - TOP - BOTTOM) * (1 - 2000 / full)
    assert sum(y < HEIGHT / 2 for y in ys) == 1


def test_a_gap_is_left_open() -> None:
    high = np.full(100, 60.0)
    high[40:50] = np.nan
    assert len(list(picture(high).iter(f"{SVG}polygon"))) == 2


def test_what_a_phase_should_draw_lies_under_the_trace_to_scale() -> None:
    # a dead heater: the trace at 60 W, the band at 1 800 to 2 100 W (IEC 60335-1, table 1, for 2 000 W) is still shown
    span = Span(START, START + 500_000, "Heat", expected_w=[(0.0, 5.0), (1800.0, 2100.0)])
    svg = picture(np.full(100, 60.0), spans=[span])
    rest, heat = [r for r in svg.iter(f"{SVG}rect") if r.get("stroke") == "none"]
    per_watt = float(heat.get("height", 0)) / 300
    assert float(rest.get("height", 0)) == pytest.approx(5 * per_watt, abs=0.6)
    zero_y = HEIGHT - BOTTOM
    assert float(heat.get("y", 0)) == pytest.approx(zero_y - 2100 * per_watt, abs=1.0)
    assert float(heat.get("y", 0)) >= TOP
    order = [child.tag.removeprefix(SVG) for child in svg]
    assert order.index("rect") < order.index("polygon")  # under it


def test_phases_are_said_in_words_and_findings_are_numbered() -> None:
    svg = picture(
        np.full(100, 60.0),
        spans=[
            Span(START, START + 500_000, "Fill & wait"),
            Span(START + 500_000, START + 501_000, "Drain", wrong=True),
        ],
        marks=[Mark(START + 600_000, 2)],
    )
    words = [t.text for t in svg.iter(f"{SVG}text")]
    assert "Fill & wait" in words
    assert "Drain" not in words  # too narrow for its words; the table names it
    assert "2" in words
    assert [r.get("stroke-dasharray") for r in svg.iter(f"{SVG}rect")] == [None, "5 3"]


def test_times_are_the_sites_own() -> None:
    words = [t.text or "" for t in picture(np.full(600, 60.0)).iter(f"{SVG}text")]
    assert "21:30" in words  # 1 780 000 000 s is 20:26:40 UTC, summer time in Lisbon


@given(st.lists(st.one_of(st.just(float("nan")), st.floats(0, 20_000)), min_size=1, max_size=200))
@pytest.mark.filterwarnings("error")
def test_any_readings_give_a_well_formed_picture_inside_its_frame(values: list[float]) -> None:
    ys = heights(picture(np.array(values)))
    assert all(0 <= y <= HEIGHT for y in ys)
