"""Pages of HTML from templates, read back by a parser."""

from __future__ import annotations

from html.parser import HTMLParser

import chess
import jinja2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.draw.diagram import diagram_svg
from miner.draw.documents import page_bytes


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.values: list[str | None] = []
        self.titles: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.values += [value for _, value in attrs]

    def handle_data(self, data: str) -> None:
        if self.tags and self.tags[-1] == "h1":
            self.titles.append(data)


def read(text: str) -> _Reader:
    """What a browser makes of a text."""
    reader = _Reader()
    reader.feed(text)
    reader.close()
    return reader


def titled(title: str) -> _Reader:
    """A page with this title."""
    return read(
        page_bytes("report/page.html", {"title": title, "contents": "{}", "first": None}, "").decode()
    )


@given(st.text(st.characters(exclude_characters="\r\0", exclude_categories=["Cs"]), min_size=1))
def test_text_stays_text(text: str) -> None:
    """Whatever a text holds, a browser reads it as that text, as contents and as a value."""
    page, board = titled(text), read(diagram_svg(chess.Board(), label=text))

    assert page.tags == titled("A title").tags
    assert "".join(page.titles).startswith(text)
    assert text in board.values
    assert board.tags == read(diagram_svg(chess.Board(), label="A board")).tags


def test_a_lone_surrogate() -> None:
    """It has no UTF-8, and a question mark stands for it."""
    assert (
        "<h1>?</h1>"
        in page_bytes("report/page.html", {"title": "\ud800", "contents": "{}", "first": None}, "").decode()
    )


def test_what_a_template_wants_must_be_there() -> None:
    """A name that the data do not have is an error, not a gap in the page."""
    with pytest.raises(jinja2.UndefinedError, match="contents"):
        page_bytes("report/page.html", {"title": "A title", "first": None}, "")
