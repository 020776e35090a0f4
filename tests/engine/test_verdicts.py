"""Tests of requests and of what passes as an answer."""

from __future__ import annotations

import chess
import pytest

from miner.engine.verdicts import Request, Verdict, mover, nonsense_in, search_fen
from miner.terms import Score, Side
from tests.judge.tables import board_after

START = Request.of(chess.Board(), nodes=1000)
EVEN = Score(Side.WHITE, cp=0)


def test_transpositions_are_one_search() -> None:
    """Two ways to one position, with other counters and a useless en passant square, give one request."""
    by_pawn_last = board_after("Nf3 d5 e3 Nf6 d4")
    by_knight_last = board_after("d4 d5 e3 Nf6 Nf3")

    assert by_pawn_last.fen(en_passant="fen") != by_knight_last.fen(en_passant="fen")
    assert Request.of(by_pawn_last, 1000) == Request.of(by_knight_last, 1000)


def test_legal_en_passant_is_kept() -> None:
    """A capture in passing that can be played makes another position."""
    board = board_after("e4 Nf6 e5 d5")

    assert " d6 " in search_fen(board)


def test_order_of_searchmoves_does_not_matter() -> None:
    """The moves asked for are a set."""
    e4, d4 = chess.Move.from_uci("e2e4"), chess.Move.from_uci("d2d4")

    assert Request.of(chess.Board(), 1000, (e4, d4)) == Request.of(chess.Board(), 1000, (d4, e4))


def test_verdict_is_of_the_side_to_move() -> None:
    """After 1.e4 Black is to move."""
    assert mover(Request.of(board_after("e4"), 1000)) is Side.BLACK
    assert mover(START) is Side.WHITE


@pytest.mark.parametrize(
    ("verdict", "best_move", "complaint"),
    [
        (Verdict(EVEN, ("e2e4", "e7e5"), 1000, 9), "e2e4", None),
        (Verdict(EVEN, ("e2e4", "e7e5"), 1000, 9), "d2d4", None),  # a fail-high without an exact score
        (Verdict(EVEN, ("e2e5",), 1000, 9), "e2e4", "move 1"),
        (Verdict(EVEN, ("e2e4", "e2e4"), 1000, 9), "e2e4", "move 2"),
        (Verdict(EVEN, ("e2e4",), 1000, 9), "(none)", "(none)"),
        (Verdict(EVEN, ("e2e4",), 400, 9), "e2e4", "400 of 1,000 nodes"),
        (Verdict(EVEN, ("e2e4",), 400, 120), "e2e4", None),  # seen to the end
        (Verdict(Score(Side.WHITE, mate=3), ("e2e4",), 400, 9), "e2e4", None),
        (Verdict(EVEN, (), 1000, 9), "e2e4", "empty"),
        (Verdict(EVEN, ("0000",), 1000, 9), "e2e4", "null move"),
    ],
)
def test_nonsense(verdict: Verdict, best_move: str, complaint: str | None) -> None:
    """Illegal moves, an empty line and a search broken off early are nonsense; a quick mate is not."""
    found = nonsense_in(START, verdict, best_move)

    assert found is None if complaint is None else complaint in (found or "")


def test_only_moves_asked_for_may_be_answered() -> None:
    """An engine that does not know `searchmoves` cannot be used."""
    request = Request.of(chess.Board(), 1000, (chess.Move.from_uci("f2f3"),))

    found = nonsense_in(request, Verdict(EVEN, ("e2e4",), 1000, 9), "e2e4")

    assert found == "e2e4 is none of the moves that were asked for"
