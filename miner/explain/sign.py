"""The signs by which a blow can be seen coming: what the board shows before the mistake that allows it."""

from __future__ import annotations

from enum import StrEnum

import chess


class Sign(StrEnum):
    """What stands there already when the mistake is made; `{piece}` and `{square}` are those of the blow."""

    AIMED = "the {piece} already bears on {square}"
    UNGUARDED = "nothing guards {square}"
    KING_ALONE = "only the king guards {square}"
    UNCASTLED = "the king still stands on its home square"


def signs_of(board: chess.Board, blow: chess.Move) -> frozenset[Sign]:
    """The signs of a blow, which the side not to move strikes after the next move.

    >>> legal = chess.Board("r1bqkbnr/pppp1ppp/2n5/4p2Q/2B1P3/8/PPPP1PPP/RNB1K1NR b KQkq - 3 3")
    >>> sorted(sign.name for sign in signs_of(legal, chess.Move.from_uci("h5f7")))
    ['AIMED', 'KING_ALONE', 'UNCASTLED']
    """
    errs, square = board.turn, blow.to_square
    guards = board.attackers(errs, square)
    king = board.king(errs)
    alone = king is not None and guards == chess.SquareSet.from_square(king)
    found = {
        Sign.AIMED: square in board.attacks(blow.from_square),
        Sign.UNGUARDED: not guards,
        Sign.KING_ALONE: alone,
        Sign.UNCASTLED: king == (chess.E1 if errs == chess.WHITE else chess.E8),
    }
    return frozenset(sign for sign, holds in found.items() if holds)
