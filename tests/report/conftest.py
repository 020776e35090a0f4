"""A real browser, without its window, that opens pages from the disk."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from miner.report import report
from tests.report.stores import club_findings, followed_tables, legal_model, written_store

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")


@dataclass(slots=True)
class Opened:
    """A page in the browser, and what it complained of or asked the network for."""

    page: Page
    url: str
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def go(self, fragment: str) -> None:
        """Open the page anew by a link with this fragment."""
        self.page.goto("about:blank")
        self.page.goto(f"{self.url}#{fragment}")
        self.page.wait_for_selector("html[data-ready]")


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
def open_file(browser: Browser) -> Iterator[Callable[..., Opened]]:
    """Opens a file as a page of its own: `open_file(path, width=390, height=844)`."""
    contexts = []

    def open_it(file: Path, *, width: int = 1280, height: int = 900, scheme: str = "light") -> Opened:
        context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)  # type: ignore[arg-type]
        contexts.append(context)
        opened = Opened(context.new_page(), file.resolve().as_uri())
        opened.page.on("console", lambda said: opened.complaints.append(said.text))
        opened.page.on("pageerror", lambda error: opened.complaints.append(str(error)))
        opened.page.on("request", lambda asked: opened.requests.append(asked.url))
        opened.page.goto(opened.url)
        opened.page.wait_for_selector("html[data-ready]")
        return opened

    yield open_it
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def club_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of `club_findings`, with a model game and what was followed; not to be changed."""
    folder = tmp_path_factory.mktemp("club")
    store = written_store(folder, club_findings(), {"model_games": [legal_model()]} | followed_tables())
    report(store, folder / "report.html")
    return folder / "report.html"


@pytest.fixture
def club(club_page: Path, open_file: Callable[..., Opened]) -> Opened:
    """That page, opened."""
    return open_file(club_page)
