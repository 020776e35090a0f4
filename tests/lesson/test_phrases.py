"""Moves in other languages."""

from __future__ import annotations

import chess
import pytest
from hypothesis import given

from miner.lesson.phrases import FIGURINES, LETTERS, translated
from tests.strategies import Played, games


@pytest.mark.parametrize(
    ("language", "written"),
    [
        ("en", "5.Nxe5 Bxd1 6.Bxf7+ Ke7 7.Nd5# O-O-O R1e2 Qh4xe1 e8=Q"),
        ("de", "5.Sxe5 Lxd1 6.Lxf7+ Ke7 7.Sd5# O-O-O T1e2 Dh4xe1 e8=D"),
        ("fr", "5.Cxe5 Fxd1 6.Fxf7+ Re7 7.Cd5# O-O-O T1e2 Dh4xe1 e8=D"),
        ("nl", "5.Pxe5 Lxd1 6.Lxf7+ Ke7 7.Pd5# O-O-O T1e2 Dh4xe1 e8=D"),
        (FIGURINES, "5.♘xe5 ♗xd1 6.♗xf7+ ♔e7 7.♘d5# O-O-O ♖1e2 ♕h4xe1 e8=♕"),
    ],
)
def test_the_same_moves(language: str, written: str) -> None:
    """Only the pieces' letters change, in promotions too."""
    assert translated("5.Nxe5 Bxd1 6.Bxf7+ Ke7 7.Nd5# O-O-O R1e2 Qh4xe1 e8=Q", language) == written


def test_words_stay() -> None:
    """Names of sides, players and openings are no moves."""
    text = "Black has Nothing; Queen's Gambit, Benko, Ruy Lopez, B22, Kf."

    assert translated(text, "fr") == text


@given(games())
def test_no_language_confuses_two_moves(played: Played) -> None:
    """The moves of a position are as many in every language as in English."""
    board = chess.Board()
    for move in played.moves:
        board.push(move)
    sans = {board.san(move) for move in board.legal_moves}

    for language in LETTERS:
        assert len({translated(san, language) for san in sans}) == len(sans)
