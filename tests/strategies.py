"""Hypothesis strategies: legal games, and the ways people write them down."""

from __future__ import annotations

from dataclasses import dataclass

import chess
from hypothesis import strategies as st

NAGS = ("!", "?", "!!", "??", "!?", "?!", " $1", " $14")
COMMENTS = (
    "{best}",
    "{ [%clk 0:01:02] }",
    "{[%eval 0.3] a (b) 1-0; $3\nnext line}",
    '{\n[Event "not a tag"]\n}',
    "{a { b}",
    "; to the end { of ( the line\n",
    "{}",
)
SPACES = (" ", "\n", "  ", " \n")
TEXTS_BETWEEN = ("", "\n", "Round two of the club's evening\n\n", "% an escaped line\n", "; a remark\n\n")


@dataclass(frozen=True)
class Played:
    """A legal game: its moves and how it is written."""

    moves: tuple[chess.Move, ...]
    result: str

    @property
    def sans(self) -> list[str]:
        """The moves in standard algebraic notation."""
        board = chess.Board()
        written = []
        for move in self.moves:
            written.append(board.san(move))
            board.push(move)
        return written


@st.composite
def games(draw: st.DrawFn, min_plies: int = 1, max_plies: int = 60) -> Played:
    """A legal game; captures, pawn moves, castling and promotions come more often than by chance."""
    board = chess.Board()
    moves = []
    for _ in range(draw(st.integers(min_plies, max_plies))):
        legal = sorted(board.legal_moves, key=lambda move: move.uci())
        if not legal:
            break
        special = [move for move in legal if _is_special(board, move)]
        prefers_special = draw(st.booleans())
        among = special if special and prefers_special else legal
        move = among[draw(st.integers(0, len(among) - 1))]
        moves.append(move)
        board.push(move)
    return Played(tuple(moves), draw(st.sampled_from(("1-0", "0-1", "1/2-1/2"))))


def _is_special(board: chess.Board, move: chess.Move) -> bool:
    is_double = (
        board.piece_type_at(move.from_square) == chess.PAWN and abs(move.from_square - move.to_square) == 16
    )
    return is_double or board.is_en_passant(move) or board.is_castling(move) or bool(move.promotion)


@st.composite
def messy_movetexts(draw: st.DrawFn, game: Played) -> str:
    """The moves of a game with comments, NAGs, variations, odd numbers and odd spacing."""
    numbering = draw(st.sampled_from(("usual", "tight", "none", "both", "lying")))
    is_plain = draw(st.booleans())
    parts = []
    for ply, san in enumerate(game.sans):
        parts.append(_number(numbering, ply) + _castled(draw, san))
        if not is_plain and draw(st.integers(0, 4)) == 0:
            parts.append(draw(st.sampled_from(NAGS)))
        parts.append(draw(st.sampled_from(SPACES)))
        if not is_plain and draw(st.integers(0, 5)) == 0:
            parts.append(draw(asides(san)) + " ")
    return "".join(parts) + game.result


def _number(numbering: str, ply: int) -> str:
    number = ply // 2 + 1
    match numbering:
        case "none":
            return ""
        case "lying":
            return f"{number * 7 % 23 + 1}. "
        case "both":
            return f"{number}. " if ply % 2 == 0 else f"{number}... "
        case "tight":
            return f"{number}." if ply % 2 == 0 else ""
        case _:
            return f"{number}. " if ply % 2 == 0 else ""


def _castled(draw: st.DrawFn, san: str) -> str:
    return san.replace("O", "0") if san.startswith("O") and draw(st.booleans()) else san


def asides(san: str) -> st.SearchStrategy[str]:
    """A comment, or a variation with the move itself, a comment and a variation in it."""
    variation = st.sampled_from(
        (f"({san})", f"({san} {{(}} ({san} $2) {san})", f"( {san}\n( {san} ( {san} ) ) )")
    )
    return st.one_of(st.sampled_from(COMMENTS), variation)


@st.composite
def messy_files(draw: st.DrawFn, max_games: int = 6) -> tuple[list[Played], str]:
    """Some games, and a file that holds them, written any which way but with all its blank lines."""
    played = draw(st.lists(games(max_plies=40), min_size=1, max_size=max_games))
    parts = [draw(st.sampled_from(("", "\ufeff", "\n\n")))]
    for number, game in enumerate(played):
        parts.append(f'[Event "Club"]\n[White "W{number}"]\n[Black "B"]\n[Result "{game.result}"]\n')
        parts.append(draw(st.sampled_from(("\n", "\n", ""))))
        parts.append(draw(messy_movetexts(game)) + draw(st.sampled_from(("\n\n", "\n\n\n", " \n\n"))))
        parts.append(draw(st.sampled_from(TEXTS_BETWEEN)))
    text = "".join(parts)
    return played, text.replace("\n", draw(st.sampled_from(("\n", "\n", "\r\n", "\r"))))
