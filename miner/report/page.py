"""The page: its parts put into one file that loads nothing and runs nothing but its own script."""

from __future__ import annotations

import html
import json
import re
from importlib import resources
from typing import Any

from miner.report.alone import piece_symbols, policy

SCRIPTS = ("board.js", "text.js", "list.js", "finding.js", "map.js", "page.js")
"""The page's scripts in the order in which they run."""


def page_bytes(title: str, contents: dict[str, Any]) -> bytes:
    """The whole page in UTF-8; the same contents give the same bytes.

    Its content security policy allows its own scripts and style, each by its SHA-256, and nothing else.
    """
    scripts = [_file(name) for name in SCRIPTS]
    style = _file("page.css")
    parts = {
        "policy": html.escape(policy(style, scripts), quote=True).replace("&#x27;", "'"),
        "title": html.escape(title),
        "style": style,
        "pieces": piece_symbols(),
        "contents": json_in_html(contents),
        "scripts": "\n".join(f"<script>{one}</script>" for one in scripts),
    }
    page = re.sub(r"\{\{(\w+)\}\}", lambda found: parts[found[1]], _file("page.html"))
    return page.encode("utf-8")


def json_in_html(value: Any) -> str:
    r"""JSON that may stand in a script element: nothing in it can end the element or begin a comment.

    >>> json_in_html({"name": "</script>"})
    '{"name":"\\u003c/script\\u003e"}'
    """
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for char in "<>&\u2028\u2029":
        text = text.replace(char, f"\\u{ord(char):04x}")
    # A lone surrogate has no UTF-8.
    return re.sub(r"[\ud800-\udfff]", lambda found: f"\\u{ord(found[0]):04x}", text)


def _file(name: str) -> str:
    return resources.files("miner.report").joinpath(name).read_text(encoding="utf-8")
