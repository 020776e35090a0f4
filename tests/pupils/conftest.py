"""A real browser, without its window, that opens pages from the disk."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from tests.report.conftest import NAMES


@dataclass(slots=True)
class Seen:
    """A page in the browser, and what it complained of or asked the network for."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


Look = Callable[..., Seen]


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
def look(browser: Browser) -> Iterator[Look]:
    """Opens a file in a window of its own: `look(path, width=390)`."""
    contexts = []

    def look_at(file: Path, *, width: int = 1280, scheme: str = "light") -> Seen:
        context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)  # type: ignore[arg-type]
        contexts.append(context)
        seen = Seen(context.new_page())
        seen.page.on("console", lambda said: seen.complaints.append(said.text))
        seen.page.on("pageerror", lambda error: seen.complaints.append(str(error)))
        seen.page.on("request", lambda asked: seen.requests.append(asked.url))
        seen.page.goto(file.resolve().as_uri())
        return seen

    yield look_at
    for context in contexts:
        context.close()
