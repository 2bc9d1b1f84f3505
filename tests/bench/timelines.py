"""Opening long timelines in a real browser: `python tests/bench/timelines.py [--days 31] [--meters 5]`.

Fills a store with readings once a second, rolls it up, and measures from the click on a span to the drawn trace: 8
hours at full rate, 7 and 30 days. Beside it, in the same page, what drawing every point would cost: the same readings
fetched as they are and handed to the chart.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from playwright.sync_api import Page, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dashboard"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "browser"))

from loadbook.files import find_log
from loadbook.logs import read_log
from loadbook.store.connect import READINGS_FILE
from loadbook.store.keeping import roll_up
from loadbook.store.ledger import Ledger
from loadbook.store.sqlite_readings import SqliteStore
from screens import ARGS, CHROMIUM
from seeded import NOW_MS, machines
from served import parts_over, served

DAY_MS = 86_400_000
SPANS = {"8 hours": 8, "7 days": 168, "30 days": 720}


def fill(folder: Path, days: int, meters: int) -> None:
    """A washer's cycle over and over, a reading a second."""
    log = read_log(find_log(Path("washer-healthy"))).series
    power = np.tile(log.power_w, days * 86_400 // len(log) + 1)[: days * 86_400]
    volts = np.tile(np.asarray(log.voltage_v), days * 86_400 // len(log) + 1)[: days * 86_400]
    store = SqliteStore(folder / READINGS_FILE)
    ledger = Ledger.open(folder)
    for meter, machine, text in machines():
        with ledger.transaction():
            ledger.put_machine(machine, meter, text)
            ledger.touch(machine.id, NOW_MS - 1000)
    ledger.close()
    for number in range(meters):
        store._number_for_good(f"m{number + 1}")  # straight into the table: a month of single readings would take long
    first_ms = NOW_MS - days * DAY_MS
    rows = (
        (first_ms + i * 1000, number + 1, round(float(power[i]) * 100), round(float(volts[i]) * 100))
        for i in range(days * 86_400)
        for number in range(meters)
    )
    store.db.execute("BEGIN")
    store.db.executemany("INSERT INTO reading (at_ms, meter, power_w, voltage_v) VALUES (?, ?, ?, ?)", rows)
    spans = [(number + 1, first_ms, NOW_MS - 1000) for number in range(meters)]
    store._mark_ends([(at, number) for number, first, last in spans for at in (first, last)])
    store.db.execute("COMMIT")
    for number in range(meters):
        for _ in roll_up(store, f"m{number + 1}"):
            pass
    store.close()


def click(page: Page, word: str) -> tuple[float, int]:
    """(ms from click to the drawn trace, points in it)."""
    with page.expect_response(lambda r: "/trace?" in r.url) as asked:
        begun = time.perf_counter()
        page.get_by_role("button", name=word, exact=True).click()
    points = len(json.loads(asked.value.text())["at_ms"])
    page.evaluate("() => new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)))")
    return (time.perf_counter() - begun) * 1000, points


EVERY = """async ([url, from, to, columns]) => {
  const begun = performance.now();
  const answer = await (await fetch(`${url}?from_ms=${from}&to_ms=${to}&columns=${columns}`)).json();
  const holder = document.createElement("div");
  document.querySelector("main").append(holder);
  const plot = new uPlot({width: 1100, height: 330, series: [{}, {stroke: "black"}]},
    [answer.at_ms.map(t => t / 1000), answer.power_w.min], holder);
  await new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)));
  plot.destroy();
  holder.remove();
  return [performance.now() - begun, answer.at_ms.length];
}"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=31)
    parser.add_argument("--meters", type=int, default=5)
    parser.add_argument("--times", type=int, default=5)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        begun = time.perf_counter()
        fill(folder, args.days, args.meters)
        size = (folder / READINGS_FILE).stat().st_size
        took = time.perf_counter() - begun
        print(f"{args.days} days, {args.meters} meters: {size / 1e6:.0f} MB, filled in {took:.0f} s")
        parts = parts_over(folder)
        with served(parts) as address, sync_playwright() as play:
            browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGS)
            page = browser.new_page(viewport={"width": 1280, "height": 900})
            opened = []
            for _ in range(args.times):
                begun = time.perf_counter()
                page.goto(f"{address}/machines/quay-washer-1")
                page.wait_for_selector("[data-timeline][data-ready]")
                opened.append((time.perf_counter() - begun) * 1000)
            print(f"page with its 8 hours, from address to drawn: median {statistics.median(opened):.0f} ms")
            for word in SPANS:
                runs = [click(page, word) for _ in range(args.times)]
                took = statistics.median(r[0] for r in runs)
                print(f"{word:8}  least and most a column: median {took:6.0f} ms, {runs[0][1]:7} points")
            url = f"{address}/api/machines/quay-washer-1/trace"
            from loadbook_dashboard import api, trace  # noqa: PLC0415

            api.MOST_COLUMNS = trace.EVERY_READING_BELOW_MS = 1 << 40
            for word, hours in {"8 hours": 8, "2 days": 48}.items():
                span = [NOW_MS - hours * 3_600_000, NOW_MS]
                took, points = page.evaluate(EVERY, [url, *span, 1 << 24])
                print(f"{word:8}  every point:             {took:13.0f} ms, {points:7} points")
            browser.close()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
