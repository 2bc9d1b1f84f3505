"""One night on the bench, walked through in a browser.

A soak test is ordered on the page, a real Modbus meter plays five cycles at sixty times their speed, recorder and
dashboard are killed in the second, the heater is half gone in the fourth; in the morning the list of the night is read
on a telephone, the verdict on the test's page, and the report as PDF. The machine is invented and short, so that a
night fits into a minute: fill, heat, wash, drain.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path
from urllib.error import URLError
from urllib.request import urlopen

import numpy as np
import pytest
from loadbook.clock import Clock
from loadbook.files import load_map, share
from loadbook.meters.simulated import Player, SimulatedLine, SimulatedMeter
from loadbook.reading import Series
from loadbook.transport.embedded import EmbeddedBroker
from playwright.sync_api import Page, expect

from tests.chain.site import Service, settings_of, until, write_site
from tests.ports import free_port

pytestmark = [pytest.mark.browser, pytest.mark.pdf]

SPEED = 60
MACHINE = "quay-rinser-9"
CYCLES, FAULTY = 5, 4
PLATE = f"""
[machine]
id = "{MACHINE}"
name = "Rinser 9, quay side"
kind = "dishwasher"
standby_w = 1.0
rated_power_w = 2200.0
[[component]]
id = "heater"
nature = "resistive"
rated_w = 2000.0
[[component]]
id = "circulation_pump"
nature = "motor"
rated_w = 80.0
[[component]]
id = "drain_pump"
nature = "motor"
rated_w = 30.0
[[component]]
id = "inlet_valve"
nature = "solenoid"
rated_w = 9.0
[[programme]]
id = "short-rinse"
name = "Short rinse"
[[programme.phase]]
id = "fill"
stage = "fill"
on = ["inlet_valve"]
min_s = 20.0
max_s = 120.0
[[programme.phase]]
id = "main-heat"
stage = "heat"
on = ["heater", "circulation_pump"]
min_s = 50.0
max_s = 240.0
[[programme.phase]]
id = "wash"
stage = "wash"
on = ["circulation_pump"]
min_s = 40.0
max_s = 180.0
[[programme.phase]]
id = "last-drain"
stage = "drain"
on = ["drain_pump"]
min_s = 10.0
max_s = 90.0
"""


def night() -> Series:
    """Five cycles with standby between, a row a second: power at 230 V."""
    watts: list[float] = []
    for number in range(1, CYCLES + 1):
        heater_w = 1000.0 if number == FAULTY else 2000.0
        watts += [1.0] * 150
        watts += [10.0] * 45 + [1.0 + 80.0 + heater_w] * 100 + [81.0] * 70 + [31.0] * 30
    watts += [1.0] * 40_000
    noise = np.random.default_rng(20_261_125).normal(0.0, 0.004, len(watts))
    power = np.array(watts) * (1.0 + noise)
    volts = np.full(len(watts), 230.0)
    at_ms = np.arange(len(watts), dtype=np.int64) * 1000
    energy = np.cumsum(power) / 3600 + 5000.0
    return Series(at_ms=at_ms, power_w=power, voltage_v=volts, current_a=power / 230.0, energy_wh=energy)


class Waiting(Player):
    """Stands at the log's first row until told to begin."""

    begun = False

    def begin(self) -> None:
        self._start_ms = self._clock.mono_ms()
        self.begun = True

    def stands(self) -> tuple[int, int] | None:
        return super().stands() if self.begun else (0, 0)


def answer(url: str) -> dict:
    """JSON from the dashboard, or nothing while it is not there."""
    try:
        with urlopen(url, timeout=10) as page:
            return dict(json.load(page))
    except (URLError, OSError):
        return {}


@pytest.mark.timeout(400)
def test_a_night_from_the_order_to_the_report(tmp_path: Path, open_page: Callable[..., Page]) -> None:
    clock = Clock(SPEED)
    player = Waiting(night(), clock)
    line = SimulatedLine([SimulatedMeter(1, load_map("sunspec", Path()), player)], clock).start()
    (tmp_path / "rinser.toml").write_text(PLATE, encoding="utf-8")
    sunspec = share("config", "meters", "sunspec.toml").read_text(encoding="utf-8")
    (tmp_path / "class-1.toml").write_text(f"{sunspec}\n[accuracy]\nclass_percent = 1.0\nfixed_w = 0.5\n")
    port = free_port()
    chosen = {"broker.port": str(port), "broker.host": '"127.0.0.1"'}
    path = write_site(tmp_path, {"m9": (MACHINE, line.address[1])}, chosen, '["rinser.toml"]', "class-1.toml")
    address = f"http://127.0.0.1:{settings_of(path).dashboard.port}"
    env = {"LOADBOOK_CLOCK_SPEED": f"{SPEED}@{clock.now_ms()}"}
    broker = EmbeddedBroker(port)
    broker.start()

    def service(command: str) -> Service:
        return Service(command, "--config", str(path), log=tmp_path / f"{command}.log", env=env)

    def cycles() -> list[dict]:
        return list(answer(f"{address}/api/machines/{MACHINE}/cycles").get("cycles", []))

    running = {command: service(command) for command in ("record", "serve", "poll")}
    try:
        state = {"idle"}
        until(lambda: {m["state"] for m in answer(f"{address}/api/machines").get("machines", [])} == state, 90)

        # the evening: a technician orders the test and starts the machine
        page = open_page(address, f"/soak/new/{MACHINE}")
        page.get_by_label("Number of cycles").fill(str(CYCLES))
        page.get_by_label("Technician").fill("Ines Vale")
        page.get_by_label("Ticket").fill("R-2107")
        page.get_by_text("Findings that end the test early").click()
        for tick in page.locator("input[name=end_early_on]").all():
            tick.set_checked(False)
        page.get_by_role("button", name="Begin the test").click()
        page.wait_for_url("**/soak/*-*")
        test_page = page.url.removeprefix(address)
        page.context.close()
        player.begin()

        # in the second cycle the board's services die, and come back
        until(lambda: len(cycles()) >= 2, 120)
        running["record"].kill()
        running["serve"].kill()
        running |= {command: service(command) for command in ("record", "serve")}
        until(lambda: sum(c["outcome"] == "completed" for c in cycles()) >= CYCLES, 200)
        told = cycles()
        assert [c["programme"] for c in told] == ["short-rinse"] * CYCLES
        assert [c["verdict"] for c in reversed(told)] == ["pass", "pass", "pass", "attention", "pass"]

        # the morning, on a telephone
        page = open_page(address, "/alerts", width=360, height=740)
        over = page.locator("#over article.alert").filter(has_text="Heater drew too little")
        expect(over).to_have_count(1)
        over.get_by_label("Your name").first.fill("Ines Vale")
        over.get_by_role("button", name="Mark as seen").click()
        expect(page.locator(".said.done")).to_have_text("Marked as seen.")
        expect(over).to_have_count(0)
        page.goto(address)
        expect(page.locator("h1")).to_have_text("Nobody is needed.")

        # the verdict, and the report for the customer
        page.goto(address + test_page)
        expect(page.locator("main")).to_contain_text("Not met")
        page.get_by_role("button", name="Issue").first.click()
        page.wait_for_url("**/report/*")  # the report itself, as it was issued
        expect(page.locator("body")).to_contain_text("R-2107")
        page.goto(address + test_page)
        with urlopen(f"{address}{page.locator('a[href$=pdf]').first.get_attribute('href')}", timeout=120) as got:
            pdf = got.read()
        page.close()  # before its server ends: what it asks for then gets no answer
    finally:
        for one in running.values():
            one.end()
        line.stop()
        broker.stop()
    from pypdf import PdfReader  # noqa: PLC0415 - only this test reads a PDF

    report = PdfReader(io.BytesIO(pdf))
    text = "\n".join(sheet.extract_text() for sheet in report.pages)
    assert "R-2107" in text
    assert "Ines Vale" in text
    assert "Not met" in text
    assert "Rinser 9" in text
    assert "safety" in text
    assert "repaired" not in text.lower().replace("not a proof that it is repaired", "")
