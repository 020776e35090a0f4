"""Exercises for other programs, read back by python-chess."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import chess
import chess.pgn
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.board.moves import line_san
from miner.finding.finding import Finding
from miner.lesson.exercises import Exercise, QuestionKind, choose
from miner.lesson.files import exercises_epd, exercises_pgn
from miner.reasons import Reason
from miner.terms import Kind
from tests.export.examples import any_finding, first_move, legal, vienna
from tests.lesson.pages import ANY_TEXT


def three() -> list[Exercise[Finding]]:
    """A trap, a pitfall to be understood, and one to be done better."""
    return choose([legal(), vienna(kind=Kind.PITFALL, reason=Reason.KING), first_move()])


def games_of(exercises: list[Exercise[Finding]]) -> list[chess.pgn.Game]:
    text = io.StringIO(exercises_pgn(exercises).decode(), newline="")
    games = list(iter(lambda: chess.pgn.read_game(text), None))
    assert [game.errors for game in games] == [[]] * len(games)
    return games


def test_games_begin_with_the_position() -> None:
    """Each game is set up with the diagram's position; its main line is the solution."""
    for exercise, game in zip(three(), games_of(three()), strict=True):
        assert game.headers["SetUp"] == "1"
        assert game.headers["FEN"] == exercise.board.fen()
        assert [node.san() for node in game.mainline()] == list(exercise.solution)
        assert "to move." in str(game.comment)
        assert game.headers["White"] == game.headers["Black"] == "?"


def test_the_losing_reply_is_a_variation_of_the_best_move() -> None:
    """Where the best move is asked for, the mistake stands beside it with its sign."""
    [game] = games_of(choose([first_move()]))

    best, mistake = game.variations
    assert (best.san(), mistake.san()) == ("e4", "g4")
    assert chess.pgn.NAG_MISTAKE in mistake.nags


def test_records() -> None:
    """The move to avoid where one is asked about, and good moves where all of them are known."""
    for line, exercise in zip(exercises_epd(three()).decode().splitlines(), three(), strict=True):
        board, read = chess.Board.from_epd(line)
        operations: dict[str, Any] = dict(read)
        sans = {code: [board.san(move) for move in operations.get(code, [])] for code in ("am", "bm")}

        assert board.fen().split()[:4] == exercise.board.fen().split()[:4]
        assert line_san(board, operations["pv"]).split() == list(exercise.solution)
        if exercise.task is QuestionKind.PUNISH:
            assert (sans["am"], sans["bm"]) == ([], [exercise.solution[0]])
        else:
            assert sans["am"] == [exercise.finding.losing_reply]
            is_open = exercise.task is QuestionKind.INSTEAD
            assert sans["bm"] == ([] if is_open else [exercise.finding.best_move])


def test_all_good_answers_are_listed() -> None:
    """Where two moves punish, both are `bm`, the taught one first, and the other one is a variation."""
    exercises = choose([legal(answers=("Nxd1", "Bxf7+"))])

    board, operations = chess.Board.from_epd(exercises_epd(exercises).decode())
    [game] = games_of(exercises)

    best: Any = operations["bm"]
    assert [board.san(move) for move in best] == ["Bxf7+", "Nxd1"]
    assert [one.san() for one in game.variations] == ["Bxf7+", "Nxd1"]


@given(text=ANY_TEXT)
def test_hostile_text(text: str) -> None:
    """Whatever a tag or a reason holds, all exercises come back from both files as they went."""
    chosen = choose([legal(opening=text, eco=text, reason_detail=text), vienna(opening=text)])

    games = games_of(chosen)
    records = exercises_epd(chosen).decode().split("\n")

    assert [[node.san() for node in game.mainline()] for game in games] == [
        list(one.solution) for one in chosen
    ]
    assert len(records) == len(chosen) + 1
    for line, one in zip(records[:-1], chosen, strict=True):
        asked = "am" if one.task is QuestionKind.INSTEAD else "bm"
        assert chess.Board.from_epd(line)[1][asked]


@given(row=any_finding(), kind=st.sampled_from(Kind), reason=st.sampled_from([Reason.MATE, Reason.POSITION]))
def test_any_legal_position(row: Finding, kind: Kind, reason: Reason) -> None:
    """Castling, promotion, en passant and mate are set up and solved as in the finding."""
    for exercise, game in zip(
        choose([replace(row, kind=kind, reason=reason)]),
        games_of(choose([replace(row, kind=kind, reason=reason)])),
        strict=True,
    ):
        assert [node.san() for node in game.mainline()] == list(exercise.solution)


@pytest.mark.parametrize("make", [exercises_pgn, exercises_epd])
def test_no_exercises_no_text(make: object) -> None:
    """Nothing chosen gives an empty file."""
    assert make([]) == b""  # type: ignore[operator]
