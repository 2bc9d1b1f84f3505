"""The page lives: what changes in the ledger or arrives from a meter is on the screen without a reload."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from loadbook.events import AlertChanged, CycleChanged, Phase, StateChanged
from loadbook.reading import Reading
from playwright.sync_api import Page, expect
from screens import wait_drawn
from seeded import NOW_MS, Seed
from served import Site

pytestmark = pytest.mark.browser


def next_phase(site: Site) -> None:
    """The washer goes on to its drain, as the recorder would write it down and say it."""
    cycle = site.parts.queries.last_cycle("quay-washer-1")
    assert cycle is not None
    cycle.phases[-1].end_ms = NOW_MS
    cycle.phases.append(Phase("drain-1", "drain", NOW_MS, NOW_MS, 25.0, 0.0, ["drain_pump"]))
    scene = Seed(site.folder)
    scene.say(
        "quay-washer-1",
        CycleChanged(NOW_MS, cycle),
        StateChanged(NOW_MS, "running", cycle.start_ms, "drain-1", "drain", NOW_MS + 120_000),
    )
    scene.close()
    site.parts.hub.changed("quay-washer-1", "phase")


def test_a_phase_change_appears_without_a_reload(own_site: Site, open_page: Callable[..., Page]) -> None:
    page = open_page(own_site.address)
    page.evaluate("window.notReloaded = true")
    row = page.locator("#machine-quay-washer-1")
    expect(row.locator(".phase strong")).to_have_text("Main wash")
    expect(page.locator("[data-livetext]")).to_have_text("Live")
    next_phase(own_site)
    expect(row.locator(".phase strong")).to_have_text("Drain 1")
    assert page.evaluate("window.notReloaded") is True


def test_a_reading_appears_at_once(own_site: Site, open_page: Callable[..., Page]) -> None:
    page = open_page(own_site.address)
    figure = page.locator("#machine-quay-washer-1 [data-power]")
    expect(page.locator("[data-livetext]")).to_have_text("Live")
    own_site.parts.hub.reading("m1", Reading(NOW_MS + 500, power_w=2011.4))
    expect(figure).to_have_text("2\u202f011\u202fW")


def test_an_alert_that_clears_changes_the_summary(own_site: Site, open_page: Callable[..., Page]) -> None:
    page = open_page(own_site.address)
    expect(page.locator("h1")).to_have_text("3 machines need somebody.")
    expect(page.locator("[data-livetext]")).to_have_text("Live")
    known = own_site.parts.queries.open_alerts("pier-washer-4")[0]
    scene = Seed(own_site.folder)
    scene.ledger.db.execute("UPDATE alert SET seen_ms = ?, seen_by = 'Mira' WHERE id = ?", (NOW_MS, known.id))
    known.alert.cleared_ms = NOW_MS
    scene.say("pier-washer-4", AlertChanged(NOW_MS, known.alert))
    scene.close()
    own_site.parts.hub.changed("pier-washer-4", "alert")
    expect(page.locator("h1")).to_have_text("2 machines need somebody.")


def test_the_timeline_grows_at_its_right_edge(own_site: Site, open_page: Callable[..., Page]) -> None:
    key = own_site.parts.queries.last_cycle("quay-washer-1").key_ms  # type: ignore[union-attr]
    page = open_page(own_site.address, f"/machines/quay-washer-1/cycles/{key}")
    wait_drawn(page)
    expect(page.locator("tr[data-phase='6']")).to_contain_text("to come")
    next_phase(own_site)
    expect(page.locator("tr[data-phase='6']")).to_contain_text("runs now")


def test_a_time_left_that_has_run_out_is_not_counted_on(own_site: Site, open_page: Callable[..., Page]) -> None:
    page = open_page(own_site.address)
    page.evaluate("document.body.insertAdjacentHTML('beforeend', `<b id=left data-in=${loadbook.now() + 300000}></b>`)")
    expect(page.locator("#left")).to_have_text("5\u202fmin")
    page.evaluate("document.querySelector('#left').dataset.in = loadbook.now()")
    expect(page.locator("#left")).to_have_text("a moment")


def test_when_the_server_goes_the_page_says_it_is_not_live(own_site: Site, open_page: Callable[..., Page]) -> None:
    page = open_page(own_site.address)
    expect(page.locator("[data-livetext]")).to_have_text("Live")
    own_site.parts.hub.link(False)
    expect(page.locator("[data-unlinked]")).to_contain_text("The broker cannot be reached")
    own_site.parts.hub.link(True)
    expect(page.locator("[data-unlinked]")).to_be_empty()


def test_pausing_holds_the_page_still(own_site: Site, open_page: Callable[..., Page]) -> None:
    page = open_page(own_site.address)
    expect(page.locator("[data-livetext]")).to_have_text("Live")
    page.click("[data-livemark]")
    expect(page.locator("[data-livetext]")).to_have_text("Paused")
    next_phase(own_site)
    own_site.parts.hub.reading("m5", Reading(NOW_MS + 500, power_w=5.5))
    page.click("[data-livemark]")
    expect(page.locator("#machine-quay-washer-1 .phase strong")).to_have_text("Drain 1")


def test_what_somebody_writes_is_not_taken_away(own_site: Site, open_page: Callable[..., Page]) -> None:
    page = open_page(own_site.address, "/alerts")
    expect(page.locator("[data-livetext]")).to_have_text("Live")
    page.locator("article.alert").first.get_by_text("Write a note").click()
    note = page.locator("article.alert").first.get_by_label("Note")
    note.fill("second element is op")
    page.locator("h1").click()
    own_site.parts.hub.changed("harbour-dish-2", "alert")
    own_site.parts.hub.reading("m1", Reading(NOW_MS + 500, power_w=1.0))
    expect(page.locator("[data-part][data-behind]")).to_have_count(1)
    expect(note).to_have_value("second element is op")
    note.fill("")
    page.locator("h1").click()
    expect(page.locator("[data-part][data-behind]")).to_have_count(0)
