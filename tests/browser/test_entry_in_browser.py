"""The door in a real browser: a telephone signs in, stays on its page when the session ends, and passes the checker."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from seeded import NOW_MS
from served import Site, parts_over, seeded_parts, served
from test_looks import complaints

pytestmark = pytest.mark.browser

WORDS = "lantern gravel seven otter"


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Site]:
    """A scene in which Mira is known, so that everybody has to sign in."""
    seeded_parts(tmp_path)
    parts = parts_over(tmp_path)
    parts.people.put("Mira", WORDS, "change", NOW_MS)
    with served(parts) as address:
        yield Site(parts, address, tmp_path)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_telephone_signs_in_and_is_back_where_it_wanted_to_be(
    guarded: Site, open_page: Callable[..., Page], scheme: str
) -> None:
    page = open_page(guarded.address, "/alerts", width=360, height=740, scheme=scheme)
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    assert complaints(page) == []
    page.get_by_label("Name", exact=True).fill("Mira")
    page.get_by_label("Passphrase").fill(WORDS)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Alerts", exact=True)).to_be_visible()
    place, live = page.locator(".place").bounding_box(), page.locator(".livemark").bounding_box()
    assert place and live
    assert abs((place["y"] + place["height"] / 2) - (live["y"] + live["height"] / 2)) < 8  # one line: place, name, live
    article = page.locator("article.alert").filter(has_text="Heater draws too little")
    expect(article.get_by_label("Your name")).to_have_count(0)
    article.get_by_role("button", name="Mark as seen").click()
    expect(page.get_by_role("status").filter(has_text="Marked as seen.")).to_be_visible()
    assert guarded.parts.asker.asked[0][1]["by"] == "Mira"  # type: ignore[attr-defined]
    page.get_by_role("link", name="Mira").click()
    assert complaints(page) == []
    page.get_by_role("button", name="Sign out", exact=True).click()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()


def test_a_page_whose_session_has_ended_leads_to_the_door(guarded: Site, browser) -> None:  # type: ignore[no-untyped-def]
    context = browser.new_context()
    page = context.new_page()
    page.goto(f"{guarded.address}/sign-in")
    page.get_by_label("Name", exact=True).fill("Mira")
    page.get_by_label("Passphrase").fill(WORDS)
    page.keyboard.press("Enter")
    expect(page.locator("#machine-quay-washer-1")).to_be_visible()
    expect(page.locator("[data-livetext]")).to_have_text("Live")
    guarded.parts.people.rows.end_sessions("Mira")
    guarded.parts.hub.changed("quay-washer-1", "phase")  # something changes: the page reads again, and is refused
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible(timeout=20_000)
    context.close()
