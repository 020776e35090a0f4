"""Data and our templates to PDF."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from miner.errors import ExportError

if TYPE_CHECKING:
    import typst


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
            advice="install it with `pip install -e '.[print]'` in the miner's folder, "
            "or leave the PDF out with --no-pdf",
        ) from error
    source = b"".join(resources.files(package).joinpath(name).read_bytes() for name in templates)
    text = json.dumps(data, ensure_ascii=False, sort_keys=True)
    contents = typst.compile(source, format="pdf", font_paths=_fonts(), sys_inputs={"data": text})
    assert isinstance(contents, bytes), "one document gives one file"
    return contents
