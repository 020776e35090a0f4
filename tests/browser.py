"""A real browser, without its window, that opens pages from the disk."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")


@dataclass(slots=True)
class Opened:
    """A page in the browser, and what it complained of or asked the network for."""

    page: Page
    url: str
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def go(self, fragment: str) -> None:
        """Open the page anew by a link with this fragment, and wait for its script."""
        self.page.goto("about:blank")
        self.page.goto(f"{self.url}#{fragment}")
        self.wait()

    def wait(self) -> None:
        """Wait until the page's script has drawn it."""
        self.page.wait_for_selector("html[data-ready]")


OpenFile = Callable[..., Opened]


def too_wide(page: Page, widths: range = range(320, 1121, 30)) -> list[int]:
    """Widths of a window in which what is shown does not fit, so that it must be moved sideways."""
    found = []
    for width in widths:
        page.set_viewport_size({"width": width, "height": 900})
        if page.evaluate("document.documentElement.scrollWidth") > width:
            found.append(width)
    return found


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium, for the tests of one module; they are skipped where it is absent."""
    program = os.environ.get("MINER_BROWSER") or next(filter(None, map(shutil.which, NAMES)), None)
    if program is None:
        pytest.skip("no Chromium (named by MINER_BROWSER, or on the path as chromium)")
    # A browser that is run by root has no sandbox to close.
    arguments = ["--no-sandbox"] if os.name == "posix" and os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=arguments)
        yield started
        started.close()


@pytest.fixture
def look(browser: Browser) -> Iterator[OpenFile]:
    """Opens a file in a window of its own: `look(path, width=390, height=844, scheme="dark")`."""
    contexts = []

    def look_at(file: Path, *, width: int = 1280, height: int = 900, scheme: str = "light") -> Opened:
        context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)  # type: ignore[arg-type]
        contexts.append(context)
        opened = Opened(context.new_page(), file.resolve().as_uri())
        opened.page.on("console", lambda said: opened.complaints.append(said.text))
        opened.page.on("pageerror", lambda error: opened.complaints.append(str(error)))
        opened.page.on("request", lambda asked: opened.requests.append(asked.url))
        opened.page.goto(opened.url)
        return opened

    yield look_at
    for context in contexts:
        context.close()
