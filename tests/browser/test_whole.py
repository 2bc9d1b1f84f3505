"""The whole as its user has it: a real Modbus meter, poller, broker, recorder, dashboard, and a browser."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from urllib.request import urlopen

import pytest
from loadbook.clock import Clock
from loadbook.files import find_log, load_map
from loadbook.logs import read_log
from loadbook.meters.simulated import Player, SimulatedLine, SimulatedMeter
from loadbook.store.connect import LEDGER_FILE, read_only
from playwright.sync_api import Page, expect

from tests.chain.site import Service, settings_of, until, write_site

pytestmark = pytest.mark.browser

MACHINE = "quay-washer-1"
SPEED = 30
PATIENCE_MS = 90_000


def answers(url: str) -> bool:
    try:
        with urlopen(url, timeout=5) as page:
            return bool(page.status == 200)
    except OSError:
        return False


def test_a_cycle_is_watched_and_an_alert_is_seen_to(tmp_path: Path, open_page: Callable[..., Page]) -> None:
    clock = Clock(SPEED)
    log = read_log(find_log(Path("washer-healthy")))
    meter = SimulatedMeter(1, load_map("sunspec", Path()), Player(log.series.slice(60, 4000), clock))
    line = SimulatedLine([meter], clock).start()
    plate = f'[machine]\nid = "{MACHINE}"\nname = "Washer 1"\nkind = "washing_machine"\nstandby_w = 1.2\n'
    (tmp_path / "washer.toml").write_text(plate)
    path = write_site(tmp_path, {"m1": (MACHINE, line.address[1])}, machines='["washer.toml"]')
    address = f"http://127.0.0.1:{settings_of(path).dashboard.port}"
    env = {"LOADBOOK_CLOCK_SPEED": f"{SPEED}@{clock.now_ms()}"}
    service = Service("run", "--config", str(path), log=tmp_path / "log", env=env)
    try:
        until(lambda: answers(address + "/") and service.child.poll() is None, 90)
        page = open_page(address)
        page.set_default_timeout(PATIENCE_MS)
        page.evaluate("window.notReloaded = true")
        row = page.locator(f"#machine-{MACHINE}")
        expect(row.locator(".state")).to_contain_text("Running", timeout=PATIENCE_MS)
        expect(row.locator("[data-power]")).to_contain_text("W")
        first = row.locator(".phase strong").inner_text()
        expect(row.locator(".phase strong")).not_to_have_text(first, timeout=PATIENCE_MS)
        line.stop()  # somebody pulls the data line
        expect(row.locator(".state")).to_contain_text("Meter silent", timeout=PATIENCE_MS)
        expect(page.locator("h1")).to_have_text("Washer 1 needs somebody.", timeout=PATIENCE_MS)
        assert page.evaluate("window.notReloaded") is True

        page.goto(f"{address}/alerts")
        article = page.locator("article.alert").filter(has_text="The meter is silent")
        article.get_by_label("Your name").first.fill("Mira")
        article.get_by_role("button", name="Mark as seen").click()
        expect(page.locator(".said.done")).to_have_text("Marked as seen.")
        expect(article).to_contain_text("by Mira")
        ledger = read_only(tmp_path / "data" / LEDGER_FILE)
        rows = ledger.execute("SELECT seen_by FROM alert WHERE kind = 'meter_silent'").fetchall()
        ledger.close()
        assert [r["seen_by"] for r in rows] == ["Mira"]
        page.close()  # before its server ends: what it asks for then gets no answer
    finally:
        line.stop()
        assert service.end() == 0
