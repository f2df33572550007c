"""A headless browser without network, and what a page did in it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
READY = "html[data-ready]"


def found_browser() -> str:
    """Path of an installed Chromium; without one the tests of the page are skipped."""
    for name in NAMES:
        if path := shutil.which(name):
            return path
    pytest.skip("no Chromium here: install the package chromium to test the page")


@dataclass
class Opened:
    """An open page: everything that it said on the console, and every request that it made."""

    page: Any
    said: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def ask(self, script: str, argument: object = None) -> Any:
        """Result of a script in the page."""
        return self.page.evaluate(script, argument)

    def text(self, selector: str) -> str:
        """Text of the first element that fits."""
        return str(self.page.locator(selector).first.text_content())


@contextmanager
def browser() -> Iterator[Any]:
    """The browser itself."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        started = play.chromium.launch(executable_path=found_browser(), args=["--no-sandbox"])
        try:
            yield started
        finally:
            started.close()


@contextmanager
def opened(started: Any, file: Path, width: int = 1200) -> Iterator[Opened]:
    """A page from disk, once it is ready, without network."""
    context = started.new_context(offline=True, viewport={"width": width, "height": 900})
    page = context.new_page()
    out = Opened(page)
    page.on("console", lambda message: out.said.append(message.text))
    page.on("pageerror", lambda error: out.said.append(str(error)))
    page.on("request", lambda request: out.requests.append(request.url))
    page.goto(file.as_uri())
    page.wait_for_selector(READY, timeout=20_000)
    try:
        yield out
    finally:
        context.close()
