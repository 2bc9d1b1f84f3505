"""Chromium, one for all browser tests of a process; a page that notes every script error and every request."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parent))

from screens import ARGS, CHROMIUM
from served import Site, seeded_parts, served


@dataclass
class Seen:
    """What a page did that it should not have."""

    errors: list[str] = field(default_factory=list)
    elsewhere: list[str] = field(default_factory=list)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        made = play.chromium.launch(executable_path=CHROMIUM, args=ARGS)
        yield made
        made.close()


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """One scene for the tests that only look."""
    folder = tmp_path_factory.mktemp("scene")
    parts = seeded_parts(folder)
    with served(parts) as address:
        yield Site(parts, address, folder)


@pytest.fixture
def own_site(tmp_path: Path) -> Iterator[Site]:
    """A scene of its own for a test that changes it."""
    parts = seeded_parts(tmp_path)
    with served(parts) as address:
        yield Site(parts, address, tmp_path)


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Opens a page of a size and scheme; at the end no page may have erred or asked another machine."""
    contexts, seen = [], Seen()

    def make(address: str, path: str = "/", width: int = 1280, height: int = 900, scheme: str = "light") -> Page:
        context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)  # type: ignore[arg-type]
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(20_000)
        home = urlsplit(address).netloc
        page.on("pageerror", lambda error: seen.errors.append(str(error)))
        page.on("console", lambda said: seen.errors.append(said.text) if said.type in ("error", "warning") else None)
        page.on("request", lambda r: seen.elsewhere.append(r.url) if urlsplit(r.url).netloc != home else None)
        page.goto(address + path)
        return page

    yield make
    for context in contexts:
        context.close()
    assert seen.errors == []
    assert [url for url in seen.elsewhere if not url.startswith("data:")] == []
