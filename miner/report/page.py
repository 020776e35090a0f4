"""The page: its parts put into one file that loads nothing and runs nothing but its own script."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from importlib import resources
from typing import Any

import chess.svg

SCRIPTS = ("board.js", "text.js", "list.js", "finding.js", "map.js", "page.js")
"""The page's scripts in the order in which they run."""

_STYLE_ATTRIBUTE = re.compile(r'style="([^"]*)"')


def page_bytes(title: str, contents: dict[str, Any]) -> bytes:
    """The whole page in UTF-8; the same contents give the same bytes.

    Its content security policy allows its own scripts and style, each by its SHA-256, and nothing else.
    """
    scripts = [_file(name) for name in SCRIPTS]
    style = _file("page.css")
    allowed = " ".join(map(_fingerprint, scripts))
    policy = (
        f"default-src 'none'; script-src {allowed}; style-src {_fingerprint(style)}; "
        "base-uri 'none'; form-action 'none'"
    )
    parts = {
        "policy": html.escape(policy, quote=True).replace("&#x27;", "'"),
        "title": html.escape(title),
        "style": style,
        "pieces": _pieces(),
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


def _pieces() -> str:
    """Each piece as a symbol, such as `piece-n` for the black knight; inline styles are barred."""
    return "".join(
        f'<symbol id="piece-{letter}" viewBox="0 0 45 45">{_bare(drawing)}</symbol>'
        for letter, drawing in chess.svg.PIECES.items()
    )


def _bare(drawing: str) -> str:
    without_names = re.sub(r' (id|class)="[^"]*"', "", drawing)
    return _STYLE_ATTRIBUTE.sub(lambda found: _as_attributes(found[1]), without_names)


def _as_attributes(style: str) -> str:
    pairs = (one.split(":") for one in style.split(";") if one.strip())
    return " ".join(f'{name.strip()}="{value.strip()}"' for name, value in pairs)


def _file(name: str) -> str:
    return resources.files("miner.report").joinpath(name).read_text(encoding="utf-8")


def _fingerprint(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"
