"""HTML from parts."""

from __future__ import annotations

from html.parser import HTMLParser

from hypothesis import given
from hypothesis import strategies as st

from miner.pupils.page import Markup, element, joined, single


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.values: list[str | None] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.values += [value for _, value in attrs]

    def handle_data(self, data: str) -> None:
        self.text += data


@given(st.text(st.characters(exclude_characters="\r\0", exclude_categories=["Cs"])))
def test_text_stays_text(text: str) -> None:
    """Whatever a text holds, a browser reads it as that text, as contents and as a value."""
    read = _Reader()

    read.feed(element("p", text, title=text))
    read.close()

    assert (read.tags, read.values, read.text) == (["p"], [text], text)


def test_parts() -> None:
    """Markup is put in as it is, text is escaped, nothing is left out but what is None."""
    assert element("p", Markup("<b>"), "<", None, class_="a", hidden=True, lang=None) == (
        '<p class="a" hidden><b>&lt;</p>'
    )
    assert single("path", aria_label="x") == '<path aria-label="x"/>'
    assert joined("&", single("hr")) == "&amp;<hr/>"
