"""What a position has come to: development, the king's shelter, pawns, squares. For losses without captures.

The terms are those of the textbooks; the numbers beside them are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import product

import chess

from miner.board.moves import after, is_home
from miner.board.settle import settle
from miner.explain.evidence import DEFENCE_TURNS, Evidence, rank_of

_DEPTH = 12  # plies: where the reply's lines and the best line are compared
_DEFENDED = 2 * DEFENCE_TURNS + 1  # plies up to which other defences were looked for
_LEAST_DEPTH = 6  # of a line that shows where it leads
_BEHIND = 2  # moves in development: one is made up for too easily
_LESS_SPACE = 8  # squares
_MINOR = (chess.KNIGHT, chess.BISHOP)
_CENTRE_FILES = range(2, 6)  # c to f
_HOLE_RANKS = (2, 3)  # counted from the side's own back rank, which is 0
_CENTRAL = chess.BB_FILE_D | chess.BB_FILE_E | chess.BB_FILE_F  # files where a king has not castled to


@dataclass(frozen=True, slots=True)
class PositionLost:
    """What one side is left with, in words, and the moves of the reply's line until it is on the board."""

    detail: str
    plies: int


@dataclass(frozen=True, slots=True)
class _Claim:
    words: str
    holds: Callable[[chess.Board], bool]
    nearly: Callable[[chess.Board], bool]  # this must not hold after the best line
    is_new: bool = True  # it must not hold before the reply, either
    by: int = _DEPTH  # plies in which it must be so: later, other defences are not known


def explain_position(evidence: Evidence) -> PositionLost | None:
    """The first thing that the reply gives away for good: with every defence, and not after the best line.

    The lines are compared at the same depth, the captures settled. None where nothing is to be seen, or where
    the lines are too short to show it.
    """
    lines = (*evidence.reply_lines, evidence.best_line)
    depth = min(_DEPTH, *map(len, lines))
    if depth < _LEAST_DEPTH:
        return None
    ends = [_quiet_end(evidence.board, line[:depth]) for line in lines]
    *replies, best = ends
    for claim in _claims(evidence, replies):
        is_new = not claim.is_new or not claim.holds(evidence.board)
        if is_new and all(map(claim.holds, replies)) and not claim.nearly(best):
            plies = _plies(evidence, claim, depth)
            if plies <= claim.by:
                return PositionLost(claim.words, plies)
    return None


def _quiet_end(board: chess.Board, line: tuple[chess.Move, ...]) -> chess.Board:
    end = after(board, line)
    return after(end, settle(end).line)


def _plies(evidence: Evidence, claim: _Claim, depth: int) -> int:
    """Moves of the reply's line from which on the claim holds; all, if it holds only once captures settle."""
    plies = depth
    while plies > 1 and claim.holds(evidence.after_reply(plies)):
        plies -= 1
    return min(plies + 1, depth)


def _claims(evidence: Evidence, ends: list[chess.Board]) -> Iterator[_Claim]:
    """All that may be said of the side that errs, what weighs most first."""
    color, end = evidence.errs, ends[0]
    side, other = (chess.COLOR_NAMES[each].capitalize() for each in (color, not color))
    behind = min(moves_behind(board, color) for board in ends)
    if behind >= _BEHIND:
        words = f"{side} is {behind} moves behind in development"
        yield _Claim(
            words,
            lambda board: moves_behind(board, color) >= behind,
            lambda board: moves_behind(board, color) > behind - _BEHIND,
            is_new=False,
        )
    if evidence.board.has_castling_rights(color):
        yield _same(f"{side} can no longer castle", lambda board: has_lost_castling(board, color))
    yield _same(f"{side}'s king has no pawns before it", lambda board: is_bare(board, color))
    words = f"{side}'s king has lost the cover of its f-pawn"
    yield _same(words, partial(lacks_f_pawn, color=color))
    for square in _from_home(out_of_play(end, color), color):
        words = f"{side}'s knight on {chess.square_name(square)} is out of play"
        yield _same(words, partial(_has, out_of_play, color, square))
    pair = partial(has_pair_alone, color=not color)
    yield _Claim(f"{other} is left with the two bishops", pair, pair, by=_DEFENDED)
    # What is soon on the board goes before what the end of the line shows.
    for by, (what, weak) in product((_DEFENDED, _DEPTH), _WEAK_PAWNS):
        for file in weak(end, color):
            has = partial(_has, weak, color, file)
            yield _Claim(f"{side} is left with {what.format(chess.FILE_NAMES[file])}", has, has, by=by)
    for square in _from_home(holes(end, color), color):
        words = f"{side} is left with a hole on {chess.square_name(square)}"
        yield _same(words, partial(_has, holes, color, square))
    yield _Claim(
        f"{side} is left with less space",
        lambda board: space(board, not color) - space(board, color) >= _LESS_SPACE,
        lambda board: 2 * (space(board, not color) - space(board, color)) >= _LESS_SPACE,
    )


def _from_home(squares: list[chess.Square], color: chess.Color) -> list[chess.Square]:
    """In the order in which their side sees them, so that White and Black are told the same."""
    return sorted(squares, key=lambda square: (rank_of(square, color), chess.square_file(square)))


def _has(
    find: Callable[[chess.Board, chess.Color], list[int]], color: chess.Color, what: int, board: chess.Board
) -> bool:
    return what in find(board, color)


def _same(words: str, holds: Callable[[chess.Board], bool]) -> _Claim:
    return _Claim(words, holds, holds)


def moves_behind(board: chess.Board, color: chess.Color) -> int:
    """Moves that `color` still needs to develop, less those of the other side: minor pieces and castling.

    Who has fewer men at home, because they were exchanged, needs no moves for them.
    """
    return _to_develop(board, color) - _to_develop(board, not color)


def _to_develop(board: chess.Board, color: chess.Color) -> int:
    at_home = sum(
        is_home(chess.Piece(kind, color), square) for kind in _MINOR for square in board.pieces(kind, color)
    )
    must_castle = bool(board.pieces(chess.QUEEN, not color)) and not has_castled(board, color)
    return at_home + must_castle


def has_castled(board: chess.Board, color: chess.Color) -> bool:
    """Whether the king stands on its back rank beside the centre, as if it had castled."""
    back = chess.BB_RANK_1 if color == chess.WHITE else chess.BB_RANK_8
    return bool(board.kings & board.occupied_co[color] & back & ~_CENTRAL)


def has_lost_castling(board: chess.Board, color: chess.Color) -> bool:
    """Whether a king can no longer castle, has not done so, and faces the other queen."""
    faces_queen = bool(board.pieces(chess.QUEEN, not color))
    return faces_queen and not board.has_castling_rights(color) and not has_castled(board, color)


def is_bare(board: chess.Board, color: chess.Color) -> bool:
    """Whether a king beside the centre that faces a queen has one pawn at the most on the squares before it.

    These are those of its own file and both neighbours, one and two ranks ahead.
    """
    king = board.king(color)
    if king is None or chess.BB_SQUARES[king] & _CENTRAL or not board.pieces(chess.QUEEN, not color):
        return False
    ahead = [rank_of(king, color) + step for step in (1, 2)]
    shelter = [
        square
        for square in board.pieces(chess.PAWN, color)
        if abs(chess.square_file(square) - chess.square_file(king)) <= 1 and rank_of(square, color) in ahead
    ]
    return len(shelter) <= 1


def lacks_f_pawn(board: chess.Board, color: chess.Color) -> bool:
    """Whether the f-pawn has left its file, while the king, not gone to the queen's side, faces a queen."""
    king = board.king(color)
    gone = not _on_files(board, color, (chess.square_file(chess.F1),))
    near = king is not None and chess.square_file(king) >= chess.square_file(chess.D1)
    return gone and near and bool(board.pieces(chess.QUEEN, not color))


def out_of_play(board: chess.Board, color: chess.Color) -> list[chess.Square]:
    """Squares of knights on the rim (files a and h) that can go nowhere without being taken by a pawn."""
    by_pawns = _pawn_attacks(board, not color)
    return [
        square
        for square in board.pieces(chess.KNIGHT, color) & (chess.BB_FILE_A | chess.BB_FILE_H)
        if not board.attacks(square) - board.occupied_co[color] - by_pawns
    ]


def has_pair_alone(board: chess.Board, color: chess.Color) -> bool:
    """Whether `color` has bishops on squares of both colours, and the other side has not."""
    return _has_pair(board, color) and not _has_pair(board, not color)


def _has_pair(board: chess.Board, color: chess.Color) -> bool:
    bishops = int(board.pieces(chess.BISHOP, color))
    return bool(bishops & chess.BB_LIGHT_SQUARES and bishops & chess.BB_DARK_SQUARES)


def isolated(board: chess.Board, color: chess.Color) -> list[int]:
    """Files (0 is a) from b to g with a pawn that has none of its own beside it."""
    ours = _pawn_files(board, color)
    return [file for file in sorted(ours) if 0 < file < 7 and not {file - 1, file + 1} & ours]


def doubled(board: chess.Board, color: chess.Color) -> list[int]:
    """Files with two pawns of `color` or more."""
    pawns = int(board.pieces(chess.PAWN, color))
    return [file for file in range(8) if (pawns & chess.BB_FILES[file]).bit_count() > 1]


def backward(board: chess.Board, color: chess.Color) -> list[int]:
    """Files on which a pawn can neither safely step forward nor be guarded by a pawn.

    Its neighbours stand farther ahead, a pawn guards the square before it, and no pawn faces it on its file.
    """
    found = []
    for square in board.pieces(chess.PAWN, color):
        file, rank = chess.square_file(square), rank_of(square, color)
        beside = [rank_of(pawn, color) for pawn in _on_files(board, color, (file - 1, file + 1))]
        faced = any(rank_of(pawn, color) > rank for pawn in _on_files(board, not color, (file,)))
        before = square + (8 if color == chess.WHITE else -8)
        if beside and min(beside) > rank and not faced and before in _pawn_attacks(board, not color):
            found.append(file)
    return sorted({*found})


_WEAK_PAWNS = (
    ("an isolated {}-pawn", isolated),
    ("a backward {}-pawn", backward),
    ("doubled {}-pawns", doubled),
)


def holes(board: chess.Board, color: chess.Color) -> list[chess.Square]:
    """Squares of its own half, on the files c to f, that no pawn of its can guard but one of the others.

    Where a pawn stands no piece can settle.
    """
    guarded = _pawn_attacks(board, not color)
    return [
        square
        for square in chess.SQUARES
        if chess.square_file(square) in _CENTRE_FILES
        and rank_of(square, color) in _HOLE_RANKS
        and board.piece_type_at(square) != chess.PAWN
        and square in guarded
        and not any(
            rank_of(pawn, color) < rank_of(square, color)
            for pawn in _on_files(
                board, color, (chess.square_file(square) - 1, chess.square_file(square) + 1)
            )
        )
    ]


def space(board: chess.Board, color: chess.Color) -> int:
    """Squares of the other half that the men of `color` attack."""
    attacked = chess.SquareSet()
    for square in chess.SquareSet(board.occupied_co[color]):
        attacked |= board.attacks(square)
    return sum(rank_of(square, color) >= 4 for square in attacked)


def _pawn_attacks(board: chess.Board, color: chess.Color) -> chess.SquareSet:
    attacked = chess.SquareSet()
    for square in board.pieces(chess.PAWN, color):
        attacked |= board.attacks(square)
    return attacked


def _pawn_files(board: chess.Board, color: chess.Color) -> set[int]:
    return {chess.square_file(square) for square in board.pieces(chess.PAWN, color)}


def _on_files(board: chess.Board, color: chess.Color, files: tuple[int, ...]) -> list[chess.Square]:
    return [square for square in board.pieces(chess.PAWN, color) if chess.square_file(square) in files]
