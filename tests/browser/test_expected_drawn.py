"""What phases should draw, laid under the trace: the judge's own bands, drawn to scale and said in words."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from loadbook.judge.expected import bands, draws
from loadbook.judge.limits import Limits
from loadbook_dashboard.expectation import as_json
from playwright.sync_api import Page, expect
from screens import wait_drawn
from served import Site

pytestmark = pytest.mark.browser

INK_ON_COLUMN = """([plot, share]) => {
  const canvas = document.querySelector(`[data-plot="${plot}"] canvas`), c = canvas.getContext("2d");
  const x = Math.round(canvas.width * share), data = c.getImageData(x, 0, 6, canvas.height).data;
  const rows = [];
  for (let y = 0; y < canvas.height; y++) {
    let sum = 0;
    for (let k = 0; k < 6; k++) { const at = (y * 6 + k) * 4; sum += data[at] + data[at + 1] + data[at + 2]; }
    rows.push(sum / 18);
  }
  return rows;
}"""
TOP, FOOT, AXIS = 52, 40, 30  # lanes.HEAD, lanes.FOOT and the axis, CSS px


def cycle_of(site: Site, machine: str) -> str:
    return f"/machines/{machine}/cycles/{site.parts.queries.last_cycle(machine).key_ms}"  # type: ignore[union-attr]


def test_the_scripts_bands_are_the_judges(site: Site, open_page: Callable[..., Page]) -> None:
    page = open_page(site.address, cycle_of(site, "quay-dryer-3"))
    for machine in site.parts.queries.machines():
        assert machine.chart
        for programme in machine.chart.programmes:
            for phase in programme.phases:
                levels = draws(machine.chart, phase, Limits())
                for volts in (None, 207.0, 229.3, 253.0):
                    said = page.evaluate("([l, v]) => window.expected.bands(l, v)", [as_json(levels), volts])
                    told = bands(levels, volts)
                    assert len(said) == len(told)
                    for mine, judges in zip(said, told, strict=True):
                        assert mine == pytest.approx(judges, abs=0.1)


@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (360, "light"), (360, "dark")])
def test_a_band_lies_under_the_trace_where_the_heater_should_draw(
    site: Site, open_page: Callable[..., Page], width: int, scheme: str
) -> None:
    """Half a heater: the band stands above the trace, to be seen as darker or lighter than its ground."""
    page = open_page(site.address, cycle_of(site, "harbour-dish-2"), width=width, scheme=scheme)
    wait_drawn(page)
    page.wait_for_timeout(300)
    rows = page.evaluate(INK_ON_COLUMN, ["power_w", 0.3])
    height = (280 if width < 560 else 330) - TOP - FOOT - AXIS
    plate_w = {"low": 1638 * (228.5 / 230) ** 2 + 18, "high": 1911 * (228.5 / 230) ** 2 + 110 + 5}
    top_w = 1.06 * plate_w["high"]

    def level(watts: float) -> float:
        y = TOP + height * (1 - watts / top_w)
        near = sorted(rows[round(y) - 2 : round(y) + 3])
        return near[len(near) // 2]

    inside = level((plate_w["low"] + plate_w["high"]) / 2)
    under = level(plate_w["low"] - 0.1 * top_w)
    over = level(plate_w["high"] + 0.035 * top_w)
    assert abs(inside - under) > 12
    assert abs(inside - over) > 12
    assert abs(under - over) < 6


def test_the_cursor_says_what_belongs_there(site: Site, open_page: Callable[..., Page]) -> None:
    page = open_page(site.address, cycle_of(site, "harbour-dish-2"))
    wait_drawn(page)
    plot = page.locator('[data-plot="power_w"]')
    plot.focus()
    for _ in range(2):
        page.keyboard.press("Shift+ArrowLeft")
    expect(page.locator("[data-reading]")).to_contain_text("Main heat")
    expect(page.locator("[data-reading]")).to_contain_text("expected 1\u202f6")


def test_follow_live_is_offered_only_where_something_runs(site: Site, open_page: Callable[..., Page]) -> None:
    page = open_page(site.address, cycle_of(site, "quay-dryer-3"))
    wait_drawn(page)
    expect(page.locator("[data-do='follow']")).to_be_hidden()
