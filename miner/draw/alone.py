"""What a page needs to stand alone: a policy that lets in only what is in it, and the pieces as symbols."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Sequence

import chess.svg

_STYLE_ATTRIBUTE = re.compile(r'style="([^"]*)"')


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


def piece_symbols() -> str:
    """Each piece as a symbol of SVG, such as `piece-n` for the black knight; inline styles are barred."""
    return "".join(
        f'<symbol id="piece-{letter}" viewBox="0 0 45 45">{_bare(drawing)}</symbol>'
        for letter, drawing in chess.svg.PIECES.items()
    )


def _bare(drawing: str) -> str:
    """A drawing without names, its style as attributes."""
    nameless = re.sub(r' (id|class)="[^"]*"', "", drawing)
    return _STYLE_ATTRIBUTE.sub(lambda found: _as_attributes(found[1]), nameless)


def _as_attributes(style: str) -> str:
    pairs = (one.split(":") for one in style.split(";") if one.strip())
    return " ".join(f'{name.strip()}="{value.strip()}"' for name, value in pairs)
