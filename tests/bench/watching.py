"""Browsers that watch: `python tests/bench/watching.py [--browsers 20] [--seconds 60]`.

A simulated Modbus meter is read once a second by `loadbook run`; one real Chromium watches the page, the others are
event streams with a page read for every change, as a browser does. Measured: from a reading's own instant to the
figure on the screen, and CPU and memory of the process.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path

import psutil
from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "browser"))

from loadbook.clock import Clock
from loadbook.files import find_log, find_machine, load_map
from loadbook.logs import read_log
from loadbook.meters.simulated import Player, SimulatedLine, SimulatedMeter
from screens import ARGS, CHROMIUM

from tests.chain.site import Service, settings_of, until, write_site

WATCH = """() => {
  window.seen = [];
  document.addEventListener("loadbook:reading", (event) => {
    requestAnimationFrame(() => window.seen.push([event.detail.at_ms, Date.now()]));
  });
}"""


def follow(address: str, stop: threading.Event, late: list[float]) -> None:
    """What a browser does, without drawing."""
    with urllib.request.urlopen(f"{address}/events", timeout=60) as stream:
        name = ""
        for line in stream:
            if stop.is_set():
                return
            text = line.decode().strip()
            if text.startswith("event: "):
                name = text[7:]
            elif text.startswith("data: ") and name == "reading":
                late.append(time.time() * 1000 - json.loads(text[6:])["at_ms"])
            elif text.startswith("data: ") and name == "machine":
                urllib.request.urlopen(f"{address}/now/summary", timeout=30).read()
                urllib.request.urlopen(f"{address}/now/quay-washer-1", timeout=30).read()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--browsers", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=60)
    args = parser.parse_args()
    clock = Clock()
    log = read_log(find_log(Path("washer-healthy")))
    meter = SimulatedMeter(1, load_map("sunspec", Path()), Player(log.series.slice(100, 4000), clock))
    line = SimulatedLine([meter], clock).start()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        machine = json.dumps([str(find_machine(Path("quay-washer-1")))])
        path = write_site(folder, {"m1": ("quay-washer-1", line.address[1])}, machines=machine)
        address = f"http://127.0.0.1:{settings_of(path).dashboard.port}"
        service = Service("run", "--config", str(path), log=folder / "log", env=dict(os.environ))
        process = psutil.Process(service.child.pid)

        def up() -> bool:
            try:
                return bool(urllib.request.urlopen(address, timeout=5).status == 200)
            except OSError:
                return False

        until(up, 60)
        stop, late = threading.Event(), [[] for _ in range(args.browsers - 1)]
        watchers = [threading.Thread(target=follow, args=(address, stop, row), daemon=True) for row in late]
        for watcher in watchers:
            watcher.start()
        with sync_playwright() as play:
            browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGS)
            page = browser.new_page()
            page.goto(address)
            page.evaluate(WATCH)
            before = process.cpu_times()
            page.wait_for_timeout(args.seconds * 1000)
            after = process.cpu_times()
            seen = page.evaluate("window.seen")
            browser.close()
        stop.set()
        cpu = (after.user + after.system - before.user - before.system) / args.seconds
        print(f"{args.browsers} browsers for {args.seconds:.0f} s, one meter once a second")
        print(f"CPU of the whole {cpu * 100:.1f} % of one core, memory {process.memory_info().rss / 1e6:.0f} MB")
        drawn = sorted(now - at for at, now in seen)
        heard = sorted(ms for one in late for ms in one)
        for what, row in (("drawn in Chromium", drawn), ("heard by the others", heard)):
            worst, middle = row[-1], statistics.median(row)
            print(f"reading to {what}: median {middle:.0f} ms, worst {worst:.0f} ms, {len(row)} readings")
        service.end()
    line.stop()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
