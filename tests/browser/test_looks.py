"""Every page in a real browser: no script error, nothing asked of another machine (held by ``open_page``), accessible
(axe-core with WCAG 2.0 to 2.2, A and AA), nothing cut off on a telephone, keyboard enough."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect
from screens import pages, wait_drawn
from served import Site

pytestmark = pytest.mark.browser

RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}}


def complaints(page: Page) -> list[str]:
    """What the checker finds wrong, a line each."""
    found = Axe().run(page, options=RULES).response["violations"]
    return [f"{v['id']}: {n['html'][:120]} {n.get('failureSummary', '')}" for v in found for n in v["nodes"]]


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (360, "dark")])
def test_every_page_is_accessible_and_fits(site: Site, open_page: Callable[..., Page], width: int, scheme: str) -> None:
    page = open_page(site.address, width=width, scheme=scheme)
    bad: dict[str, list[str]] = {}
    for name, path in pages(site.address, page).items():
        if path == "/nothing-here":
            continue
        page.goto(site.address + path)
        wait_drawn(page)
        wrong = complaints(page)
        over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        if over > 0:
            wrong.append(f"{over} px wider than the screen")
        if wrong:
            bad[name] = wrong
    assert bad == {}


SMALL = """() => {
  const found = [];
  const box = (el) => el.getBoundingClientRect();
  const shown = (el) => box(el).width > 1 && box(el).height > 1 && el.checkVisibility();
  const touched = "main button, main summary, main input:not([type=hidden]), main select, nav a, main a";
  for (const el of document.querySelectorAll(touched)) {
    if (!shown(el) || el.closest(".uplot")) continue;
    const b = box(el.closest("label.tick") || el);
    const extra = el.classList.contains("pin") ? 16 : 0; // its ::before reaches further
    const least = el.matches("main a:not(.button)") ? 36 : 44;
    const what = `${el.tagName} ${el.textContent.trim().slice(0, 30)}`;
    if (b.height + extra < least - 0.5) found.push(`${what} ${Math.round(b.height)} px high`);
  }
  for (const el of document.querySelectorAll("main table")) {
    const over = el.getBoundingClientRect().right - el.parentElement.getBoundingClientRect().right;
    if (shown(el) && over > 1) found.push(`table ${Math.round(over)} px wider than its place`);
  }
  for (const el of document.querySelectorAll("main svg text")) {
    const px = shown(el.ownerSVGElement) ? el.getBoundingClientRect().height : 99;
    if (px && px < 11) found.push(`text ${el.textContent} in a picture ${Math.round(px)} px high`);
  }
  return [...new Set(found)];
}"""


def test_a_finger_finds_everything_and_nothing_is_too_small_or_too_wide(
    site: Site, open_page: Callable[..., Page]
) -> None:
    """Buttons and fields at least 44 px high (WCAG 2.2, 2.5.5), links in running text 36, on a telephone."""
    page = open_page(site.address, width=360, height=740)
    bad: dict[str, list[str]] = {}
    for name, path in pages(site.address, page).items():
        if path == "/nothing-here":
            continue
        page.goto(site.address + path)
        wait_drawn(page)
        if wrong := page.evaluate(SMALL):
            bad[name] = wrong
    assert bad == {}


def test_a_stretch_without_readings_says_so(site: Site, open_page: Callable[..., Page]) -> None:
    page = open_page(site.address, "/machines/pier-washer-4")
    wait_drawn(page)
    expect(page.get_by_text("No reading in this stretch of time.")).to_be_visible()
    expect(page.locator("[data-resolution]")).to_be_empty()
    page.goto(f"{site.address}/machines/quay-washer-1")
    wait_drawn(page)
    expect(page.get_by_text("No reading in this stretch of time.")).to_be_hidden()


def test_the_keyboard_alone_reaches_a_machine_and_reads_its_trace(site: Site, open_page: Callable[..., Page]) -> None:
    page = open_page(site.address)
    page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_have_text("To the page")
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "Washer 1, quay side":
            break
    page.keyboard.press("Enter")
    page.wait_for_url("**/machines/quay-washer-1")
    key = site.parts.queries.last_cycle("quay-washer-1").key_ms  # type: ignore[union-attr]
    page.goto(f"{site.address}/machines/quay-washer-1/cycles/{key}")
    wait_drawn(page)
    plot = page.locator('[data-plot="power_w"]')
    plot.focus()
    page.keyboard.press("ArrowLeft")
    expect(page.locator("[data-reading]")).to_contain_text("W")
    expect(page.locator("[data-reading]")).to_contain_text("in (allowed")


def test_buttons_do_what_dragging_does(site: Site, open_page: Callable[..., Page]) -> None:
    key = site.parts.queries.last_cycle("quay-washer-1").key_ms  # type: ignore[union-attr]
    page = open_page(site.address, f"/machines/quay-washer-1/cycles/{key}")
    wait_drawn(page)
    expect(page.locator("[data-do='follow']")).to_have_attribute("aria-pressed", "true")
    with page.expect_response("**/trace?*") as asked:
        page.click("[data-do='closer']")
    wide = asked.value.json()
    expect(page.locator("[data-do='follow']")).to_have_attribute("aria-pressed", "false")
    with page.expect_response("**/trace?*") as asked:
        page.click("[data-do='closer']")
    close = asked.value.json()
    assert close["to_ms"] - close["from_ms"] < wide["to_ms"] - wide["from_ms"]
    with page.expect_response("**/trace?*") as asked:
        page.click("[data-do='earlier']")
    assert asked.value.json()["from_ms"] < close["from_ms"]
    with page.expect_response("**/trace?*") as asked:
        page.click("[data-do='whole']")
    expect(page.locator("[data-do='follow']")).to_have_attribute("aria-pressed", "true")


def test_an_alert_is_marked_as_seen_on_a_telephone(own_site: Site, open_page: Callable[..., Page]) -> None:
    page = open_page(own_site.address, "/alerts", width=360, height=740)
    article = page.locator("article.alert").filter(has_text="Heater draws too little")
    article.get_by_label("Your name").first.fill("Mira")
    article.get_by_role("button", name="Mark as seen").click()
    expect(page.get_by_role("status").filter(has_text="Marked as seen.")).to_be_visible()
    asked = own_site.parts.asker.asked  # type: ignore[attr-defined]
    assert asked[0][0] == "alert_seen"
    assert asked[0][1]["by"] == "Mira"


@pytest.mark.parametrize("name", ["cycle-quay-dryer-3", "machine-quay-washer-1", "compare"])
def test_on_paper_no_trace_is_cut_off(site: Site, open_page: Callable[..., Page], name: str) -> None:
    page = open_page(site.address, width=1440)
    page.goto(site.address + pages(site.address, page)[name])
    wait_drawn(page)
    drawn = "() => [...document.querySelectorAll('.uplot')].map(u => u.getBoundingClientRect().width)"
    page.wait_for_function("() => document.querySelector('.uplot')")
    wide = page.evaluate(drawn)
    assert min(wide) > 700
    page.evaluate("dispatchEvent(new Event('beforeprint'))")  # what the browser says before it lays pages out
    narrow = page.evaluate(drawn)
    # A4 with the margins of half an inch that browsers set: 698 px of 1/96 inch, less the page's own edges.
    assert len(narrow) == len(wide) and max(narrow) <= 650
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    page.wait_for_function(f"() => JSON.stringify(({drawn})()) === '{json.dumps(wide, separators=(',', ':'))}'")
