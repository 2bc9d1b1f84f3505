"""Every page as a picture, wide and 360 px, light and dark: ``python tests/browser/screens.py OUTDIR``; the README's
own with ``--readme dashboard/pictures``.

To be looked at: would a stranger know within five seconds what runs, since when, and whether somebody is needed?
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from playwright.sync_api import Browser, Page, sync_playwright
from served import seeded_parts, served

CHROMIUM = "/usr/bin/chromium"
ARGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
SIZES = {"wide": (1440, 900), "phone": (360, 740)}


def pages(address: str, page: Page) -> dict[str, str]:
    """Name and address of every page."""
    machines = page.request.get(f"{address}/api/machines").json()["machines"]
    found = {
        "now": "/",
        "cycles": "/cycles",
        "alerts": "/alerts",
        "meters": "/meters",
        "board": "/board",
        "cautions": "/cautions",
    }
    for machine in machines:
        name = machine["id"]
        found[f"machine-{name}"] = f"/machines/{name}"
        cycles = page.request.get(f"{address}/api/machines/{name}/cycles?limit=1").json()["cycles"]
        if cycles:
            found[f"cycle-{name}"] = f"/machines/{name}/cycles/{cycles[0]['key_ms']}"
    found |= {
        "soak": "/soak/",
        "soak-new": "/soak/new/quay-dryer-3",
        "soak-test": "/soak/2026-0001",
        "programmes": "/machines/quay-washer-1/programmes",
        "when": "/machines/quay-dryer-3/when",
        "statement": "/statement?month=2026-11",
    }
    found["file"] = "/machines/quay-washer-1/file"
    found["compare"] = "/machines/quay-dryer-3/compare"
    found["nothing"] = "/nothing-here"
    return found


def wait_drawn(page: Page) -> None:
    """Until every trace of the page is drawn."""
    page.wait_for_function(
        "() => [...document.querySelectorAll('[data-timeline]')].every(f => f.dataset.ready === 'yes')", timeout=20_000
    )


def readme_pictures(browser: Browser, address: str, folder: Path) -> None:
    """The two that the README shows: a cycle with half a heater, and a telephone."""
    for name, path, width, height in (
        ("cycle", "harbour-dish-2", 1100, 980),
        ("telephone", "/", 360, 740),
    ):
        page = browser.new_page(viewport={"width": width, "height": height}, color_scheme="light")
        if not path.startswith("/"):
            keys = page.request.get(f"{address}/api/machines/{path}/cycles?limit=1").json()["cycles"]
            path = f"/machines/{path}/cycles/{keys[0]['key_ms']}"  # noqa: PLW2901
        page.goto(address + path)
        wait_drawn(page)
        page.wait_for_timeout(400)
        page.screenshot(path=str(folder / f"{name}.png"))
        page.close()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("only", nargs="*", help="names of pages; all when none is given")
    parser.add_argument("--readme", action="store_true", help="only the README's two")
    args = parser.parse_args()
    args.folder.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as store,
        served(seeded_parts(Path(store))) as address,
        sync_playwright() as play,
    ):
        browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGS)
        if args.readme:
            readme_pictures(browser, address, args.folder)
        for size, (width, height) in () if args.readme else SIZES.items():
            for scheme in ("light", "dark"):
                context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
                page = context.new_page()
                page.on("console", lambda message: print("console:", message.text))
                page.on("pageerror", lambda error: print("error:", error))
                for name, path in pages(address, page).items():
                    if args.only and name not in args.only:
                        continue
                    page.goto(address + path)
                    wait_drawn(page)
                    page.wait_for_timeout(400)
                    page.screenshot(path=str(args.folder / f"{name}-{size}-{scheme}.png"), full_page=True)
                context.close()
        browser.close()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
