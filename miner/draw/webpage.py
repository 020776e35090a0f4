"""Data and one of our templates to a page of HTML that stands alone."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from miner.draw.diagram import piece_symbols

if TYPE_CHECKING:
    import jinja2


def page_bytes(template: str, data: Mapping[str, Any], style: str, scripts: Sequence[str] = ()) -> bytes:
    """A template such as `report/page.html` filled with data, in UTF-8; the same data give the same bytes.

    Data are escaped wherever the template does not call them `safe`, which only our own markup is. Beside
    them it has `style`, `scripts`, the `pieces` that boards refer to, and the content security `policy` that
    allows this style and these scripts, each by its SHA-256, and nothing else.
    """
    own = {"policy": policy(style, scripts), "style": style, "scripts": scripts, "pieces": piece_symbols()}
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
