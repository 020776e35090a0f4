"""The sentences about model games, by language."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from types import MappingProxyType
from typing import Any

from miner.finding.words import numbered_sans
from miner.lesson.phrases import ENGLISH, Tongue

_TABLES = tomllib.loads(resources.files("miner.game").joinpath("phrases.toml").read_text("utf-8"))

COMMENTS: Mapping[str, str] = MappingProxyType(_TABLES[ENGLISH]["comments"])
"""The sentences that the coach reads, by name."""
STOPS: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {code: MappingProxyType(table["stops"]) for code, table in _TABLES.items()}
)
"""What pupils read, by language and name; any other language takes the English words."""


def comment(name: str, **values: Any) -> str:
    """A sentence of COMMENTS, filled in.

    >>> comment("up", side="White", what="a rook")
    'White is a rook up.'
    """
    return COMMENTS[name].format(**values)


@dataclass(frozen=True, slots=True)
class Sentence:
    """A sentence of COMMENTS, what is filled in, and the moves of a line in it, if there is one."""

    name: str
    values: Mapping[str, Any] = field(default_factory=dict)
    line: tuple[str, ...] = ()  # SAN
    ply: int = 0  # of its first move

    def words(self, *, is_brief: bool = False) -> str:
        """The sentence; if brief, with the first move of the line alone, for what shows the line besides.

        >>> Sentence("better", line=("Nf3", "Nc6"), ply=2).words(is_brief=True)
        'Better was 2.Nf3.'
        """
        line = numbered_sans(self.line[: 1 if is_brief else None], self.ply)
        return comment(self.name, **{"line": line} | dict(self.values))


def stop_words(tongue: Tongue, name: str, **values: Any) -> str:
    """What pupils read, filled in, with the moves as the sheet writes them."""
    return tongue.moves(STOPS[tongue.phrases.code][name].format(**values))


def points(loss: float, tongue: Tongue | None = None) -> str:
    """Points that are given away at least, with two decimals, as the language writes them.

    >>> points(0.4199)
    '0.41'
    """
    text = f"{int(loss * 100 + 1e-9) / 100:.2f}"
    return text if tongue is None or tongue.phrases.code == ENGLISH else text.replace(".", ",")
