"""How Sphinx makes the site; what stands in tables is taken from the code that it is about."""

from __future__ import annotations

import sys
from pathlib import Path

DOCS = Path(__file__).parent
sys.path[:0] = [str(DOCS), str(DOCS.parent)]

from generated import write_pages  # noqa: E402 - found by the line above

from miner.distribution import VERSION  # noqa: E402

project = "miner"
author = "The miner's developers"
version = release = VERSION

extensions = ["sphinx.ext.autodoc", "sphinx.ext.doctest", "myst_parser"]
exclude_patterns = ["*.sh"]
default_role = "code"  # the docstrings' backquotes
autodoc_member_order = "bysource"
autodoc_typehints_format = "short"
myst_heading_anchors = 3

html_theme = "furo"
html_title = f"miner {VERSION}"
html_show_copyright = False

write_pages(DOCS)
