"""The report in a real browser."""

from __future__ import annotations

from pathlib import Path

import pytest

from miner.report import report
from tests.browser import Opened, OpenFile, browser, look
from tests.report.stores import club_findings, followed_tables, legal_comments, legal_model, written_store

__all__ = ["browser", "club", "club_page", "look", "open_file"]


@pytest.fixture
def open_file(look: OpenFile) -> OpenFile:
    """Opens a report, as `look` does, and waits until it is drawn."""

    def open_it(file: Path, *, width: int = 1280, height: int = 900, scheme: str = "light") -> Opened:
        opened = look(file, width=width, height=height, scheme=scheme)
        opened.wait()
        return opened

    return open_it


@pytest.fixture(scope="session")
def club_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of `club_findings`, with a commented model game and what was followed; not to be changed."""
    folder = tmp_path_factory.mktemp("club")
    store = written_store(folder, club_findings(), {"model_games": [legal_model()]} | followed_tables())
    report(store, folder / "report.html", legal_comments())
    return folder / "report.html"


@pytest.fixture
def club(club_page: Path, open_file: OpenFile) -> Opened:
    """That page, opened."""
    return open_file(club_page)
