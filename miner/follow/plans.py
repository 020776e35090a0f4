"""Where the winners' pieces and pawns go after a losing reply."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import chess

from miner.board.moves import CASTLED_ROOKS, captured_square

OWN_MOVES = 13
"""Moves of the winner that are looked at: the one that begins the refutation, and twelve more."""

LEAST_SHARE = 0.2
"""Share of the games from which something counts as part of the plan."""
LEAST_GAMES = 3
"""And games in which it must have been done."""
MOST_SQUARES = 2
"""Squares that are listed of one piece."""

_ORDER = ("castling", "exchange", "piece", "pawn")


class Theme(NamedTuple):
    """Something that a winner did, as a row of `plans` has it."""

    theme: str  # piece, pawn, castling or exchange
    detail: str  # e.g. knight f5
    from_square: str = ""  # where the piece stood after the losing reply
    to_square: str = ""


@dataclass(slots=True)
class _Piece:
    kind: chess.PieceType
    home: chess.Square  # where it stood after the losing reply
    base: chess.Square  # the same, or where castling put it


def themes_of(board: chess.Board, line: Sequence[chess.Move], own_moves: int = OWN_MOVES) -> set[Theme]:
    """The deeds of the side to move on `board` in its next moves along a line of legal moves.

    Of each piece that moved the square where it ended or was taken; of each pawn every square it reached;
    how the king castled; the first pieces (no pawns) that were exchanged. What a pawn takes is no plan of its
    own, nor is what the first move takes: it is there because of the mistake.
    """
    start, us = board, board.turn
    board = board.copy(stack=False)
    pieces = {
        square: _Piece(piece.piece_type, square, square)
        for square, piece in board.piece_map().items()
        if piece.color == us
    }
    found: set[Theme] = set()
    for ply, move in enumerate(line[: 2 * own_moves - 1]):
        if board.turn == us:
            takes = board.is_capture(move)
            found |= _move_own(board, move, pieces)
            if ply == 0 and takes:
                pieces[move.to_square].base = move.to_square
        else:
            square = captured_square(board, move)
            if square in pieces:
                found |= _journey(pieces.pop(square), square)
        board.push(move)
    for square, piece in pieces.items():
        found |= _journey(piece, square)
    return found | first_exchange(start, line[: 2 * own_moves - 1], us)


def _move_own(board: chess.Board, move: chess.Move, pieces: dict[chess.Square, _Piece]) -> set[Theme]:
    """Move one of our pieces; gives what that shows at once."""
    piece = pieces.pop(move.from_square)
    found = set()
    if board.is_castling(move):
        corner, beside = CASTLED_ROOKS[move.to_square]
        rook = pieces.pop(corner)
        rook.base, piece.base = beside, move.to_square
        pieces[beside] = rook
        found.add(Theme("castling", f"castling {'short' if board.is_kingside_castling(move) else 'long'}"))
    if piece.kind == chess.PAWN and not board.is_capture(move):
        found.add(_theme("pawn", piece, move.to_square))
    if move.promotion:
        piece = _Piece(move.promotion, piece.home, move.to_square)
    pieces[move.to_square] = piece
    return found


def _journey(piece: _Piece, end: chess.Square) -> set[Theme]:
    if piece.kind == chess.PAWN or piece.base == end:
        return set()
    return {_theme("piece", piece, end)}


def _theme(theme: str, piece: _Piece, end: chess.Square) -> Theme:
    to = chess.square_name(end)
    return Theme(theme, f"{chess.piece_name(piece.kind)} {to}", chess.square_name(piece.home), to)


def first_exchange(board: chess.Board, line: Sequence[chess.Move], us: chess.Color) -> set[Theme]:
    """The first two pieces that take each other off along a line: ours first, then theirs; no pawns."""
    board = board.copy(stack=False)
    last: tuple[chess.Square, chess.PieceType] | None = None  # where a piece was just taken, and which
    for move in line:
        taken = board.piece_type_at(move.to_square)
        taken = None if taken == chess.PAWN else taken
        if last is not None and taken is not None and last[0] == move.to_square:
            # Who takes back took the other side's piece; the one taken before was his own.
            ours, theirs = (last[1], taken) if board.turn == us else (taken, last[1])
            return {Theme("exchange", f"exchange {chess.piece_name(ours)} {chess.piece_name(theirs)}")}
        last = None if taken is None else (move.to_square, taken)
        board.push(move)
    return set()


def plan_of(games: Sequence[set[Theme]]) -> list[tuple[Theme, float]]:
    """The themes that the winners have in common, with the share (0 to 1) of the games that have them.

    Castling and exchanges first, then pieces and pawns, the most frequent first; of one piece two squares.
    """
    counts = Counter(theme for themes in games for theme in themes)
    least = max(LEAST_GAMES, LEAST_SHARE * len(games))
    common = [(theme, count / len(games)) for theme, count in counts.items() if count >= least]
    common.sort(key=lambda shared: (_ORDER.index(shared[0].theme), -shared[1], shared[0]))
    squares: Counter[str] = Counter()  # of each piece, by where it stood
    plan = []
    for theme, share in common:
        if theme.theme == "piece":
            squares[theme.from_square] += 1
        if theme.theme != "piece" or squares[theme.from_square] <= MOST_SQUARES:
            plan.append((theme, share))
    return plan
