"""The plan as it unfolds: castling, files, exchanges, pieces that change wings, storms, the king counted.

Pure functions from the boards of a game to what may be said beside its moves. The numbers beside them are
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import chess

from miner.board.moves import CASTLED_ROOKS, captured_square
from miner.board.settle import material_balance, settled_balance
from miner.explain.evidence import exchange, pieces, rank_of
from miner.explain.position import has_castled
from miner.finding.words import numbered_sans

_PIECES = (chess.KNIGHT, chess.BISHOP, chess.ROOK, chess.QUEEN)
_KINDS = (*_PIECES, chess.PAWN)
_STAYS = 2  # plies for which what is said must last
_TOLD_PAWNS = 2  # by which the balance must change to be told
_MUCH = 9  # pawns with which nobody counts any more
_FEW = 2  # pieces of each side with which an endgame is told
_ATTACKERS, _MORE = 3, 2  # pieces round a king, and more than its defenders, that are told
_AHEAD, _FAR_AHEAD = 3, 4  # ranks, from 0, that pawns of a storm reach, and that its foremost reaches
_WANDERERS = {chess.KNIGHT: 3, chess.ROOK: 2}  # moves to the other wing that are more than development
_QUEENS_WING, _KINGS_WING = range(3), range(5, 8)


@dataclass(frozen=True, slots=True)
class Fact:
    """Something to be said of the move at a ply: the name of a sentence, and what is filled in."""

    ply: int
    name: str
    values: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Course:
    """A game's boards (before each move, and after the last) and moves, told from `start` on."""

    boards: Sequence[chess.Board]
    moves: Sequence[chess.Move]
    start: int  # the first ply of which anything is said
    winner: chess.Color

    def after(self, ply: int, further: int = 0) -> chess.Board:
        """The board after the move at a ply, or so many plies further, as far as the game goes."""
        return self.boards[min(ply + 1 + further, len(self.moves))]

    def numbered(self, ply: int) -> str:
        """A move with its number."""
        return numbered_sans([self.boards[ply].san(self.moves[ply])], ply)

    @property
    def plies(self) -> range:
        """The plies of which something may be said."""
        return range(self.start, len(self.moves))


def plan_facts(course: Course) -> list[Fact]:
    """All that is to be said of the plan, in the order of the moves."""
    found = (
        *castlings(course),
        *lost_castling(course),
        *files_taken(course),
        *exchanged_queens(course),
        *material(course),
        *few_pieces(course),
        *wings(course),
        *storms(course),
        *round_the_king(course),
    )
    return sorted(found, key=lambda fact: fact.ply)


def side_name(color: chess.Color) -> str:
    """White or Black."""
    return chess.COLOR_NAMES[color].capitalize()


def castlings(course: Course) -> Iterator[Fact]:
    """Where both have castled: to the same side, or not."""
    done: dict[chess.Color, bool] = {}
    for ply, move in enumerate(course.moves):
        board = course.boards[ply]
        if board.is_castling(move):
            done[board.turn] = board.is_kingside_castling(move)
            if len(done) == 2 and ply >= course.start:
                sides = set(done.values())
                yield Fact(
                    ply,
                    "castled_apart" if len(sides) == 2 else f"castled_{'short' if True in sides else 'long'}",
                )


def lost_castling(course: Course) -> Iterator[Fact]:
    """The loser's king that moves and may no longer castle, while the winner has a queen."""
    for ply in course.plies:
        board, move = course.boards[ply], course.moves[ply]
        had = board.turn != course.winner and board.has_castling_rights(board.turn)
        walks = board.piece_type_at(move.from_square) == chess.KING and not board.is_castling(move)
        if had and walks and course.after(ply).pieces(chess.QUEEN, course.winner):
            yield Fact(ply, "no_castling", {"side": side_name(board.turn)})


def files_taken(course: Course) -> Iterator[Fact]:
    """The first rook on each file without pawns, if it stays there and faces no rook or queen."""
    opened: dict[int, int] = {}
    told: set[int] = set()
    for ply, move in enumerate(course.moves):
        board, now = course.boards[ply], course.after(ply)
        for file, mask in enumerate(chess.BB_FILES):
            if board.pawns & mask and not now.pawns & mask:
                opened[file] = ply
            elif now.pawns & mask:
                opened.pop(file, None)
                told.discard(file)
        file = chess.square_file(move.to_square)
        if ply >= course.start and file in opened.keys() - told and _takes_file(course, ply, file):
            told.add(file)
            values = {"file": chess.FILE_NAMES[file], "since": course.numbered(opened[file])}
            yield Fact(ply, "file", values | {"side": side_name(board.turn)})


def _takes_file(course: Course, ply: int, file: int) -> bool:
    board, move, later = course.boards[ply], course.moves[ply], course.after(ply, _STAYS)
    mask = chess.BB_FILES[file]
    is_rook = board.piece_type_at(move.from_square) == chess.ROOK and not board.is_capture(move)
    faced = (board.rooks | board.queens) & board.occupied_co[not board.turn] & mask
    stays = later.piece_at(move.to_square) == chess.Piece(chess.ROOK, board.turn) and not later.pawns & mask
    lasts = ply + _STAYS < len(course.moves)
    return is_rook and chess.square_file(move.from_square) != file and not faced and stays and lasts


def exchanged_queens(course: Course) -> Iterator[Fact]:
    """The move with which the last two queens have come off, one for the other."""
    for ply in course.plies:
        had, now = course.boards[max(ply - 1, 0)], course.after(ply)
        if not now.queens and all(had.pieces(chess.QUEEN, color) for color in chess.COLORS):
            yield Fact(ply, "queens")


def material(course: Course) -> Iterator[Fact]:
    """What the winner has more, or the other side, once captures are over and it lasts."""
    told = material_balance(course.boards[course.start], course.winner)
    for ply in course.plies:
        now = course.after(ply)
        balance = material_balance(now, course.winner)
        if (
            abs(balance - told) < _TOLD_PAWNS
            or min(balance, told) >= _MUCH
            or settled_balance(now, course.winner) != balance
        ):
            continue
        if len(course.moves) - ply - 1 < _STAYS and not now.is_checkmate():
            continue  # nobody knows whether it would have lasted
        if material_balance(course.after(ply, _STAYS), course.winner) == balance and not now.is_check():
            told = balance
            yield Fact(ply, *material_words(now, course.winner))


def material_words(board: chess.Board, winner: chess.Color) -> tuple[str, dict[str, Any]]:
    """Who has more, and what: the name of a sentence and what is filled in; by values, not by men.

    >>> material_words(chess.Board("4k3/8/8/8/8/8/8/R3K3 w - - 0 1"), chess.BLACK)
    ('up', {'side': 'White', 'what': 'a rook'})
    """
    balance = material_balance(board, winner)
    side = winner if balance >= 0 else not winner
    net = {kind: len(board.pieces(kind, side)) - len(board.pieces(kind, not side)) for kind in _KINDS}
    what = exchange(net)
    if balance == 0:
        return "level", {}
    is_plain = all(count >= 0 for count in net.values())
    return "up" if is_plain else "has", {"side": side_name(side), "what": what}


def few_pieces(course: Course) -> Iterator[Fact]:
    """What is left once there are few pieces, as long as nothing is taken at once."""
    for ply in course.plies:
        now = course.after(ply)
        few = all(sum(len(now.pieces(kind, color)) for kind in _PIECES) <= _FEW for color in chess.COLORS)
        goes_on = ply + 1 < len(course.moves)
        lasts = goes_on and chess.popcount(course.after(ply, _STAYS).occupied) == chess.popcount(now.occupied)
        if few and lasts and not now.queens:
            yield Fact(
                ply,
                "left",
                {"ours": _men(now, course.winner), "theirs": _men(now, not course.winner)}
                | {"side": side_name(course.winner)},
            )
            return


def _men(board: chess.Board, color: chess.Color) -> str:
    return pieces({kind: len(board.pieces(kind, color)) for kind in _KINDS}) or "the king alone"


def wings(course: Course) -> Iterator[Fact]:
    """A knight or rook of the winner that goes from one wing to the other, where the king is.

    In three moves of a knight or more, two of a rook: with fewer it only comes into play.
    """
    ways: dict[chess.Square, list[chess.Square]] = {
        square: [square]
        for kind in _WANDERERS
        for square in course.boards[course.start].pieces(kind, course.winner)
    }
    for ply in course.plies:
        board, move = course.boards[ply], course.moves[ply]
        if board.turn != course.winner:
            ways.pop(captured_square(board, move), None)
            continue
        if board.is_castling(move):
            corner, beside = CASTLED_ROOKS[move.to_square]
            ways.pop(corner, None)
            ways[beside] = [beside]
        if move.from_square not in ways:
            continue
        way = [*ways.pop(move.from_square), move.to_square]
        kind = board.piece_type_at(move.from_square)
        wing = _reached(way, course.after(ply).king(not course.winner))
        stays = course.after(ply, 1).color_at(move.to_square) == course.winner
        is_told = wing and stays and kind is not None and len(way) > _WANDERERS[kind]
        if is_told and kind is not None:
            squares = "-".join(map(chess.square_name, way))
            yield Fact(ply, "wing", {"piece": chess.piece_name(kind), "wing": wing, "way": squares})
        ways[move.to_square] = [move.to_square] if is_told else way


def _reached(way: Sequence[chess.Square], king: chess.Square | None) -> str:
    """The wing that a way leads to from the other one, if the king is there; else empty."""
    first, now = chess.square_file(way[0]), chess.square_file(way[-1])
    for name, start, end in (("king", _QUEENS_WING, _KINGS_WING), ("queen", _KINGS_WING, _QUEENS_WING)):
        if first in start and now in end:
            return name if king is not None and chess.square_file(king) in end else ""
    return ""


def storms(course: Course) -> Iterator[Fact]:
    """The winner's pawns that have gone forward against a castled king, when there are two of them."""
    moved: set[chess.Square] = set()  # where pawns stand that have moved
    for ply in course.plies:
        board, move, now = course.boards[ply], course.moves[ply], course.after(ply)
        if board.turn != course.winner:
            moved.discard(captured_square(board, move))
            continue
        moved.discard(move.from_square)
        if board.piece_type_at(move.from_square) != chess.PAWN or move.promotion:
            continue
        moved.add(move.to_square)
        king = now.king(not course.winner)
        if (
            king is None
            or not has_castled(now, not course.winner)
            or not now.pieces(chess.QUEEN, course.winner)
        ):
            continue
        ranks = {
            chess.square_file(square): rank_of(square, course.winner)
            for square in moved
            if abs(chess.square_file(square) - chess.square_file(king)) <= 1
            and rank_of(square, course.winner) >= _AHEAD
        }
        if len(ranks) > 1 and max(ranks.values()) >= _FAR_AHEAD:
            *first, last = (chess.FILE_NAMES[file] for file in sorted(ranks))
            files = f"{', '.join(f'{file}-' for file in first)} and {last}-pawn"
            values = {"side": side_name(course.winner), "pawns": files, "square": chess.square_name(king)}
            yield Fact(ply, "storm", values)
            return


def round_the_king(course: Course) -> Iterator[Fact]:
    """When the winner's pieces first outnumber the others by far round the other king, both named."""
    for ply in course.plies:
        now = course.after(ply)
        king = now.king(not course.winner)
        if now.turn == course.winner or king is None or now.is_checkmate():
            continue
        attackers = _bearing_on(now, course.winner, king)
        defenders = _bearing_on(now, not course.winner, king)
        if len(attackers) >= _ATTACKERS and len(attackers) >= len(defenders) + _MORE:
            values = {
                "king": chess.square_name(king),
                "side": side_name(course.winner),
                "attackers": listed(now, attackers),
                "defenders": listed(now, defenders),
            }
            yield Fact(ply, "king_counted" if defenders else "king_alone", values)
            return


def _bearing_on(board: chess.Board, color: chess.Color, king: chess.Square) -> list[chess.Square]:
    """Squares of the pieces (no pawns, no king) of a side that attack a king or a square next to it."""
    beside = chess.SquareSet(chess.BB_KING_ATTACKS[king] | chess.BB_SQUARES[king])
    return [
        square
        for kind in reversed(_PIECES)
        for square in board.pieces(kind, color)
        if board.attacks(square) & beside
    ]


def listed(board: chess.Board, squares: Sequence[chess.Square]) -> str:
    """Men with their squares, e.g. `Qh5, Rg3 and Ng5`; a pawn by its square."""
    names = [f"{_letter(board, square)}{chess.square_name(square)}" for square in squares]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else ""


def _letter(board: chess.Board, square: chess.Square) -> str:
    kind = board.piece_type_at(square)
    return "" if kind in (None, chess.PAWN) else chess.piece_symbol(kind or chess.PAWN).upper()


def square_fact(course: Course, ply: int) -> Fact | None:
    """The square of a blow beside the other king: who bears on it, and who guards it; None: it is none."""
    board, move = course.boards[ply], course.moves[ply]
    king = board.king(not board.turn)
    if king is None or chess.square_distance(king, move.to_square) != 1 or not course.after(ply).is_check():
        return None
    bearing, guards = (
        sorted(board.attackers(color, move.to_square), key=lambda square: -(board.piece_type_at(square) or 0))
        for color in (board.turn, not board.turn)
    )
    others = [square for square in guards if square != king]
    if len(bearing) <= len(others) or move.from_square not in bearing:
        return None
    name = "square" if others else "square_alone"
    values = {"square": chess.square_name(move.to_square), "bearing": listed(board, bearing)}
    return Fact(
        ply,
        name,
        values | {"guards": listed(board, others), "verb": "bears" if len(bearing) == 1 else "bear"},
    )
