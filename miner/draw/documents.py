"""Templates filled: PDF by Typst, pages of HTML by Jinja2."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from miner.distribution import with_extra
from miner.draw.pieces import piece_symbols
from miner.errors import ExportError

if TYPE_CHECKING:
    import jinja2
    import typst


LOOK = "look.css"
"""What all pages look like, before the styles of their own."""
SHARED_SCRIPTS = ("board.js", "text.js")
"""What the scripts of pages have in common: it runs before them."""


@cache
def _fonts() -> typst.Fonts:
    import typst

    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=True)


def pdf_bytes(templates: Sequence[str], data: Mapping[str, Any], package: str) -> bytes:
    """Templates of one of our packages, one behind the other, filled with data; equal data give equal bytes.

    Text reaches the typesetter as data and is never read as markup, whatever it holds. Only the fonts that
    come with the typesetter are used, so that every machine sets the same page.
    Raises ExportError if the typesetter is not installed.
    """
    try:
        import typst
    except ImportError as error:
        raise ExportError(
            "PDF needs the package typst, which is not installed",
            advice=f"{with_extra('print')}, or leave the PDF out with --no-pdf",
        ) from error
    source = b"".join(resources.files(package).joinpath(name).read_bytes() for name in templates)
    text = json.dumps(data, ensure_ascii=False, sort_keys=True)
    contents = typst.compile(source, format="pdf", font_paths=_fonts(), sys_inputs={"data": text})
    assert isinstance(contents, bytes), "one document gives one file"
    return contents


def page_bytes(template: str, data: Mapping[str, Any], style: str, scripts: Sequence[str] = ()) -> bytes:
    """A template such as `report/page.html` filled with data, in UTF-8; the same data give the same bytes.

    Data are escaped wherever the template does not call them `safe`, which only our own markup is. Beside
    them it has `style` and `scripts`, behind what all pages share, the `pieces` that boards refer to, and the
    content security `policy` that allows this style and these scripts, each by its SHA-256, and nothing else.
    """
    whole = package_text("miner.draw", LOOK) + style
    all_scripts = [package_text("miner.draw", name) for name in SHARED_SCRIPTS if scripts] + [*scripts]
    own = {
        "policy": policy(whole, all_scripts),
        "style": whole,
        "scripts": all_scripts,
        "pieces": piece_symbols(),
    }
    page = _templates().get_template(template).render(data, **own)
    return page.encode("utf-8", "replace")  # a lone surrogate has no UTF-8


@cache
def _templates() -> jinja2.Environment:
    import jinja2  # here, as few commands write pages

    return jinja2.Environment(
        loader=jinja2.PackageLoader("miner", "."),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def package_text(package: str, name: str) -> str:
    """A file that stands beside a package's modules, such as a style or a script."""
    return resources.files(package).joinpath(name).read_text(encoding="utf-8")


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


def policy(style: str, scripts: Sequence[str] = ()) -> str:
    """The content security policy that allows this style and these scripts, by SHA-256, and nothing else.

    >>> policy("")[:71]
    "default-src 'none'; style-src 'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMp"
    """
    run = f"script-src {' '.join(map(_fingerprint, scripts))}; " if scripts else ""
    return f"default-src 'none'; {run}style-src {_fingerprint(style)}; base-uri 'none'; form-action 'none'"


def _fingerprint(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"
