"""The board is read from two metres: capitals of at least 16 minutes of arc.

NUREG-0700 (rev. 3, character size): h = 6.283 D MA / 21600, so 9.3 mm at 2 m and 16'. On a ten-inch tablet of 1280 CSS
pixels (217 mm wide, 0.17 mm a pixel) with capitals of 0.72 em that is 76 px of type.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from loadbook.machine import parse_machine
from loadbook_dashboard.pages.board import TILES
from playwright.sync_api import Page, expect
from seeded import Seed, machine_text
from served import Site

pytestmark = pytest.mark.browser

PITCH_MM = 0.17
CAPITAL_EM = 0.72
LEAST_MM = 6.283 * 2000 * 16 / 21600


def test_the_formula_gives_the_published_height() -> None:
    assert pytest.approx(9.3, abs=0.05) == LEAST_MM


def test_names_and_words_are_tall_enough_and_nothing_is_cut_off(site: Site, open_page: Callable[..., Page]) -> None:
    page = open_page(site.address, "/board", width=1280, height=800)
    # each in one go: the live page may read its tiles again at any moment
    sizes = page.evaluate("[...document.querySelectorAll('.far')].map(e => parseFloat(getComputedStyle(e).fontSize))")
    assert len(sizes) == 10
    assert min(sizes) * CAPITAL_EM * PITCH_MM >= LEAST_MM
    over = page.evaluate("[...document.querySelectorAll('.tile')].filter(e => e.scrollWidth > e.clientWidth).length")
    assert over == 0
    assert page.evaluate("document.documentElement.scrollHeight <= innerHeight")


def test_at_most_six_and_those_who_need_somebody_first(own_site: Site, open_page: Callable[..., Page]) -> None:
    scene = Seed(own_site.folder)
    for n in range(6, 9):
        text = machine_text("quay-dryer-3", id=f"pier-dryer-{n}", name=f"Dryer {n}, pier")
        with scene.ledger.transaction():
            scene.ledger.put_machine(parse_machine(text, "test"), None, text)
    scene.close()
    page = open_page(own_site.address, "/board")
    expect(page.locator(".tile")).to_have_count(TILES)
    expect(page.locator(".tile.calls")).to_have_count(3)
    expect(page.get_by_text("2 more machines not shown")).to_be_visible()
    expect(page.locator(".tile").nth(0)).to_contain_text("till 12:56")
