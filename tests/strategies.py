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


SUFFIXES = ("", "!", "?", "!!", "??", "!?", "?!")
ANY_TEXT = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S", "Zs"]), max_size=20)
TAG_NAMES = ("Annotator", "ECO", "Mode", "Opening", "PlyCount", "Round2", "Termination", "x_1")
LINE_WIDTH = 79  # export format: fewer than 80 characters in a line


@dataclass(frozen=True)
class Written:
    """A game of a file by the standard: its tags as they are meant, its moves, and the text that says so."""

    tags: dict[str, str]
    game: Played
    text: str


@st.composite
def standard_files(draw: st.DrawFn, max_games: int = 3) -> list[Written]:
    """Games as the PGN standard lets them be written, in import format; their texts joined are a file.

    Source: Portable Game Notation Specification and Implementation Guide (1994), sections 4 to 8.
    """
    return [_written(draw, draw(games(max_plies=14)), at) for at in range(draw(st.integers(1, max_games)))]


def _written(draw: st.DrawFn, game: Played, number: int) -> Written:
    result = draw(st.sampled_from((game.result, "*")))
    tags = {
        "Event": draw(ANY_TEXT),
        "Site": "?",
        "Date": draw(st.sampled_from(("2024.09.15", "2024.??.??", "????.??.??"))),
        "Round": draw(st.sampled_from(("-", "?", "1", "3.1.2"))),
        "White": f"W{number} " + draw(ANY_TEXT),
        "Black": draw(ANY_TEXT),
        "Result": result,
    }
    tags |= {name: draw(ANY_TEXT) for name in draw(st.sets(st.sampled_from(TAG_NAMES), max_size=3))}
    tokens = [*_tokens(draw, chess.Board(), game.moves, depth=0), result]
    text = _escape_line(draw) + "".join(f'[{name} "{_escaped(value)}"]\n' for name, value in tags.items())
    return Written(tags, Played(game.moves, result), f"{text}\n{_wrapped(draw, tokens)}\n\n")


def _escaped(value: str) -> str:
    return value.replace("\\", "\\\\").replace('"', '\\"')


def _escape_line(draw: st.DrawFn) -> str:
    return (
        "% " + draw(st.sampled_from(("escaped", '[Event "no"]', "1. e4 {"))) + "\n" if _seldom(draw) else ""
    )


def _seldom(draw: st.DrawFn) -> bool:
    return draw(st.integers(0, 7)) == 0


def _tokens(draw: st.DrawFn, board: chess.Board, moves: tuple[chess.Move, ...], depth: int) -> list[str]:
    """A line of moves with all that may stand in and after it, as words that white space may part."""
    numbering = draw(st.sampled_from(("export", "tight", "none", "each")))
    tokens: list[str] = []
    is_interrupted = True  # a number must be told again
    for move in moves:
        tokens += _numbers(numbering, board, is_interrupted)
        tokens.append(board.san(move) + (draw(st.sampled_from(SUFFIXES)) if _seldom(draw) else ""))
        asides = [f"${draw(st.integers(0, 255))}"] if _seldom(draw) else []
        asides += [draw(_comments())] if _seldom(draw) else []
        if depth < 3 and _seldom(draw):
            asides += ["(", *_tokens(draw, board.copy(), _other_line(draw, board), depth + 1), ")"]
        board.push(move)
        tokens += asides
        is_interrupted = bool(asides)
    return tokens


def _numbers(numbering: str, board: chess.Board, is_interrupted: bool) -> list[str]:
    number = board.fullmove_number
    if numbering == "none" or (board.turn == chess.BLACK and numbering != "each" and not is_interrupted):
        return []
    dots = "." if board.turn == chess.WHITE else "..."
    return [f"{number}", dots] if numbering == "each" else [f"{number}{dots}"]


def _other_line(draw: st.DrawFn, board: chess.Board) -> tuple[chess.Move, ...]:
    line: list[chess.Move] = []
    board = board.copy()
    for _ in range(draw(st.integers(1, 3))):
        if legal := sorted(board.legal_moves, key=chess.Move.uci):
            line.append(draw(st.sampled_from(legal)))
            board.push(line[-1])
    return tuple(line)


def _comments() -> st.SearchStrategy[str]:
    """A comment in braces, or one to the end of its line, which must be followed by a line end."""
    words = ANY_TEXT.map(lambda text: text.replace("}", ""))
    return st.one_of(
        words.map(lambda text: f"{{{text}}}"),
        words.map(lambda text: f"; {text}\n"),
        st.sampled_from(
            ("{1-0 (1. e4 $1}", "{[%clk 0:01:02]}", "{a\n% b\n}", '{\n[Event "no"]\n}', "; ( {\n")
        ),
    )


def _wrapped(draw: st.DrawFn, tokens: list[str]) -> str:
    """The words in lines of fewer than 80 characters, as in export format, or parted any which way."""
    is_export = draw(st.booleans())
    text, width = "", 0
    for token in tokens:
        gap = (
            draw(st.sampled_from(SPACES))
            if not is_export
            else " "
            if width + len(token) < LINE_WIDTH
            else "\n"
        )
        gap = "" if text.endswith("\n") or not text else gap
        text += gap + token
        width = len(text) - text.rfind("\n") - 1
        if text.endswith("\n") and _seldom(draw):
            text += _escape_line(draw)
    return text


@st.composite
def damaged(draw: st.DrawFn, text: str) -> str:
    """The text after one to three small damages: a piece taken out, doubled, moved, or replaced."""
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(text)))
        end = min(len(text), at + draw(st.integers(0, 12)))
        piece = text[at:end]
        new = draw(st.sampled_from(("", piece * 2, piece[::-1], *DAMAGES)))
        text = text[:at] + new + text[end:]
    return text


DAMAGES = (
    "\n",
    "\n\n",
    "{",
    "}",
    "(",
    ")",
    "[",
    "]",
    '"',
    "\\",
    ";",
    "%",
    "\n%",
    "\0",
    "1-0",
    "*",
    "$",
    ".",
    "é",
    "\r",
)
