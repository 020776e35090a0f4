"""What is said of a plan, on boards that a chess player can check by eye."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import chess
import pytest

from miner.board.moves import after, parse_san_line
from miner.game.plan import (
    Course,
    Fact,
    castlings,
    exchanged_queens,
    few_pieces,
    files_taken,
    lost_castling,
    material,
    plan_facts,
    round_the_king,
    square_fact,
    storms,
    wings,
)

Facts = Callable[[Course], Iterator[Fact]]


def course(sans: str, fen: str = chess.STARTING_FEN, *, winner: chess.Color = chess.WHITE) -> Course:
    """A game from a position on, told from its first move."""
    board = chess.Board(fen)
    moves = parse_san_line(board, sans.split())
    boards = [after(board, moves[:ply]) for ply in range(len(moves) + 1)]
    return Course(boards=boards, moves=moves, start=0, winner=winner)


def told(facts: Facts, game: Course) -> list[tuple[int, str]]:
    """Ply and name of each fact."""
    return [(fact.ply, fact.name) for fact in facts(game)]


BOTH_MAY_CASTLE = "r3k2r/pppq1ppp/2npbn2/2b1p3/2B1P3/2NPBN2/PPPQ1PPP/R3K2R w KQkq - 0 1"


@pytest.mark.parametrize(
    ("sans", "name"),
    [("O-O O-O", "castled_short"), ("O-O-O O-O-O", "castled_long"), ("O-O-O O-O", "castled_apart")],
)
def test_castling(sans: str, name: str) -> None:
    """It is told where the second king has castled."""
    assert told(castlings, course(sans, BOTH_MAY_CASTLE)) == [(1, name)]


def test_lost_castling() -> None:
    """The loser's king, if it walks while the other queen is there; not one that castles."""
    [fact] = lost_castling(course("Kf1 O-O Kg1", BOTH_MAY_CASTLE, winner=chess.BLACK))
    assert told(lost_castling, course("Kf1 O-O Kg1", BOTH_MAY_CASTLE)) == []

    assert (fact.ply, fact.values) == (0, {"side": "White"})


PETROFF = "e4 e5 Nf3 Nf6 Nxe5 d6 Nf3 Nxe4 d4 d5 Bd3 Be7 O-O O-O"


def test_file() -> None:
    """A rook on a file without pawns, and the move since which there are none."""
    [fact] = files_taken(course(f"{PETROFF} Re1 Nf6 c3", chess.STARTING_FEN))

    assert (fact.ply, fact.values) == (14, {"file": "e", "since": "4...Nxe4", "side": "White"})


def test_file_that_is_not_kept() -> None:
    """Not a rook that is taken or leaves at once, nor one with which the game ends."""
    assert told(files_taken, course(f"{PETROFF} Re1")) == []
    assert told(files_taken, course(f"{PETROFF} Re1 Nf6 Rf1")) == []


def test_file_that_is_contested() -> None:
    """Where a rook or queen of the other side stands on the file already, nobody takes it."""
    assert told(files_taken, course(f"{PETROFF} a3 Re8 Re1 Nf6 c3 a6 h3")) == [(15, "file")]


def test_queens() -> None:
    """Where both have gone, one for the other."""
    assert told(exchanged_queens, course("e4 e5 d4 exd4 Qxd4 Qf6 Qxf6 Nxf6")) == [(7, "queens")]
    assert told(exchanged_queens, course("e4 e5 Qh5 Nf6 Qxf7+ Kxf7")) == []


def test_material() -> None:
    """What is won is told once it is safe, not in the midst of an exchange."""
    won = course("e4 e5 Qh5 g6 Qxe5+ Be7 Qxh8 d6 d3 a6")
    exchange = course("e4 e5 d4 exd4 Qxd4 Qf6 Qxf6 Nxf6 a3 a6")

    [fact] = material(won)
    assert (fact.ply, fact.name) == (6, "up")
    assert fact.values == {"side": "White", "what": "a rook and a pawn"}
    assert told(material, exchange) == []


def test_material_at_the_end() -> None:
    """Nobody knows whether what is won with the last move would have lasted."""
    assert told(material, course("e4 e5 Qh5 g6 Qxe5+ Be7 Qxh8")) == []


def test_few_pieces() -> None:
    """Without queens, two pieces at the most on either side, and nothing taken at once."""
    [fact] = few_pieces(course("Kf1 Kf8 Ke1", "3r2k1/5ppp/8/8/8/8/4NPPP/3R2K1 w - - 0 1"))

    assert fact.ply == 0
    assert (fact.values["ours"], fact.values["theirs"]) == (
        "a rook, a knight and three pawns",
        "a rook and three pawns",
    )


def test_wing() -> None:
    """A rook that goes from the queen's side to where the other king is; a single step is none."""
    fen = "6k1/5pp1/7p/8/8/8/5PPP/R5K1 w - - 0 1"

    [fact] = wings(course("Ra3 h5 Rg3 h4", fen))
    assert (fact.ply, fact.values) == (2, {"piece": "rook", "wing": "king", "way": "a1-a3-g3"})
    assert told(wings, course("Ra8+ Kh7 Rb8 g6", fen)) == []
    assert told(wings, course("Rf1 Kh7 Re1 g6", fen)) == []


def test_knights_development_is_no_change_of_wings() -> None:
    """From b1 by d2 to f3 a knight only comes into play."""
    fen = "6k1/5ppp/8/8/8/8/5PPP/1N4K1 w - - 0 1"

    assert told(wings, course("Nd2 h6 Nf3 h5", fen)) == []
    assert told(wings, course("Nd2 h6 Nf1 h5 Ng3 h4", fen)) == [(4, "wing")]


def test_storm() -> None:
    """Two pawns that go forward against a castled king, the foremost beyond the middle."""
    fen = "r4rk1/ppp2ppp/8/8/8/8/PPPQ1PPP/2KR3R w - - 0 1"

    [fact] = storms(course("g4 a6 h4 a5 g5 b6", fen))
    assert (fact.ply, fact.values) == (4, {"side": "White", "pawns": "g- and h-pawn", "square": "g8"})
    assert told(storms, course("a4 a6 b4 h6 b5 g6", fen)) == []


def test_round_the_king() -> None:
    """Who bears on the squares next to the king, and who guards them, by name."""
    [fact] = round_the_king(course("Qh5", "r5k1/3q1ppp/8/4N3/7Q/3B2R1/5PPP/6K1 w - - 0 1"))

    assert fact.name == "king_counted"
    assert fact.values["attackers"] == "Qh5, Rg3, Bd3 and Ne5"
    assert fact.values["defenders"] == "Qd7 and Ra8"


def test_square() -> None:
    """The square of a blow beside the king, who bears on it and who guards it."""
    game = course("Qxg7#", "6k1/5ppp/8/8/6Q1/8/1B6/6K1 w - - 0 1")

    fact = square_fact(game, 0)
    assert fact is not None
    assert fact.name == "square_alone"
    assert (fact.values["square"], fact.values["bearing"]) == ("g7", "Qg4 and Bb2")
    assert square_fact(course("Ra8#", "6k1/5ppp/8/8/8/8/8/R5K1 w - - 0 1"), 0) is None


def test_all_in_the_order_of_the_moves() -> None:
    """Facts of all kinds, as they come in the game."""
    plies = [fact.ply for fact in plan_facts(course(f"{PETROFF} Re1 Nf6 c3"))]

    assert plies == sorted(plies)
    assert {13, 14} <= {*plies}
