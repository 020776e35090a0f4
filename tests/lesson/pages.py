"""What a second program finds in a PDF."""

from __future__ import annotations

import io
from typing import Any

import pypdf
from hypothesis import strategies as st

HOSTILE = [
    "=cmd|' /C calc'!A0",
    '"; DROP, \\" } { [%csl Ra1]',
    "#panic() *b* _i_ $x$ `raw` @ref <label> // --- \\",
    "</svg><script>alert(1)</script> [link](http://www.example.invalid) | | &lt;",
    "a\r\nBEGIN:VEVENT\r\nSUMMARY:x;y,z\\n",
    "\u202egniht\u2028 \x1b[31m é ♘ 漢字",
]
"""Opening names that would break out of one format or another."""
ANY_TEXT = st.sampled_from(HOSTILE) | st.text(st.characters(codec="utf-8"), max_size=200)


def reader(contents: bytes) -> pypdf.PdfReader:
    """A PDF, opened."""
    return pypdf.PdfReader(io.BytesIO(contents))


def texts(contents: bytes) -> list[str]:
    """The text of each page, on one line."""
    return [" ".join(page.extract_text().split()) for page in reader(contents).pages]


def lowest(contents: bytes, *, lines: int) -> list[list[tuple[float, str]]]:
    """The lowest lines of each page, the lowest first: height above the edge in points, and text."""
    found = []
    for page in reader(contents).pages:
        at: dict[float, str] = {}

        def visit(text: str, cm: list[float], tm: list[float], *_: Any, at: dict[float, str] = at) -> None:
            if text.strip():
                height = round(tm[4] * cm[1] + tm[5] * cm[3] + cm[5], 1)
                at[height] = at.get(height, "") + text.strip("\n")

        page.extract_text(visitor_text=visit)
        found.append(sorted(at.items())[:lines])
    return found


def fonts(contents: bytes) -> set[str]:
    """Names of the fonts used, without the tag of their subset."""
    found: set[str] = set()
    for page in reader(contents).pages:
        resources: Any = page["/Resources"]
        for font in resources.get("/Font", {}).values():
            found.add(str(font.get_object()["/BaseFont"]).rpartition("+")[2])
    return found


def sizes_mm(contents: bytes) -> set[tuple[int, int]]:
    """Width and height of the pages in whole millimetres."""
    return {
        (round(float(page.mediabox.width) * 25.4 / 72), round(float(page.mediabox.height) * 25.4 / 72))
        for page in reader(contents).pages
    }


def diagrams(contents: bytes) -> list[str]:
    """What the pictures say to those who cannot see them, in reading order: their FEN."""
    root: Any = reader(contents).trailer["/Root"]
    found: list[str] = []
    _walk(root["/StructTreeRoot"], found)
    return found


def _walk(node: Any, found: list[str]) -> None:
    node = node.get_object()
    if isinstance(node, list):
        for one in node:
            _walk(one, found)
    elif isinstance(node, dict):
        if "/Alt" in node:
            found.append(str(node["/Alt"]))
        if "/K" in node:
            _walk(node["/K"], found)
