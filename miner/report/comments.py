"""What stands beside the board while a reader plays through a model game."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class Ask:
    """A stop: what is asked before a move is shown, and on demand its hint and answer."""

    name: str
    question: str
    hint: str
    answer: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Beside:
    """What belongs to one move: what is asked before it, its sign, and what is said once it is made."""

    ply: int
    sign: str = ""
    said: str = ""
    ask: Ask | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Comments:
    """All that is said of one game, in the order of its moves."""

    introduction: str
    beside: tuple[Beside, ...]
