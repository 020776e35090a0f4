"""HTML that is put together from parts, each of which is either markup of ours or text that is escaped."""

from __future__ import annotations

import html


class Markup(str):
    """HTML; any other text is escaped where it is put in."""

    __slots__ = ()


def element(name: str, *children: str | None, **attributes: str | bool | None) -> Markup:
    """An element. Of attributes, None and False are left out; an underscore at the end does not count, and
    others stand for hyphens. Children that are None are left out.

    >>> element("p", "a < b", class_="quiet")
    '<p class="quiet">a &lt; b</p>'
    """
    return Markup(f"<{name}{_attributes(attributes)}>{joined(*children)}</{name}>")


def single(name: str, **attributes: str | bool | None) -> Markup:
    """An element without contents, closed as SVG wants it."""
    return Markup(f"<{name}{_attributes(attributes)}/>")


def joined(*parts: str | None) -> Markup:
    """Parts one after the other."""
    return Markup("".join(one if isinstance(one, Markup) else html.escape(one) for one in parts if one))


def _attributes(attributes: dict[str, str | bool | None]) -> str:
    told = []
    for name, value in attributes.items():
        shown = name.rstrip("_").replace("_", "-")
        if value is True:
            told.append(f" {shown}")
        elif value is not None and value is not False:
            told.append(f' {shown}="{html.escape(str(value), quote=True)}"')
    return "".join(told)
