"""Facts in plain English: sides, pieces, exchanges."""

from __future__ import annotations

from collections.abc import Mapping

import chess

_NUMBERS = {1: "a", 2: "two", 3: "three", 4: "four", 5: "five", 6: "six", 7: "seven", 8: "eight"}
_ORDER = (chess.QUEEN, chess.ROOK, chess.BISHOP, chess.KNIGHT, chess.PAWN)


def side_name(color: chess.Color) -> str:
    """White or Black."""
    return "White" if color == chess.WHITE else "Black"


def piece_name(kind: chess.PieceType) -> str:
    """The piece's name in small letters."""
    return chess.piece_name(kind)


def pieces(counts: Mapping[chess.PieceType, int]) -> str:
    """Counted pieces, the most valuable first; an empty count gives an empty text.

    >>> pieces({chess.PAWN: 2, chess.ROOK: 1})
    'a rook and two pawns'
    """
    words = [_counted(kind, counts[kind]) for kind in _ORDER if counts.get(kind, 0) > 0]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def _counted(kind: chess.PieceType, count: int) -> str:
    return f"{_NUMBERS.get(count, str(count))} {piece_name(kind)}{'s' if count > 1 else ''}"


def exchange(net: Mapping[chess.PieceType, int]) -> str:
    """What one side has gained, net of what it gave: positive counts are gained, negative ones given.

    >>> exchange({chess.ROOK: 1, chess.KNIGHT: -1})
    'a rook for a knight'
    """
    gained = pieces({kind: count for kind, count in net.items() if count > 0})
    given = pieces({kind: -count for kind, count in net.items() if count < 0})
    return f"{gained} for {given}" if given else gained
