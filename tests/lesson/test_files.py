"""Exercises for other programs, read back by python-chess and the csv module."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import chess
import chess.pgn
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.board.moves import line_san
from miner.finding.finding import Finding
from miner.lesson.exercises import Exercise, QuestionKind, choose
from miner.lesson.files import AGAIN_AFTER, cards_csv, exercises_epd, exercises_pgn
from miner.lesson.phrases import Tongue
from miner.reasons import Reason
from miner.terms import Kind
from tests.export.examples import any_finding, first_move, legal, vienna
from tests.lesson.pages import HOSTILE

ENGLISH = Tongue.of("en")
START = date(2025, 9, 15)
ANY_TEXT = st.sampled_from(HOSTILE) | st.text(st.characters(codec="utf-8"), max_size=200)


def three() -> list[Exercise[Finding]]:
    """A trap, a pitfall to be understood, and one to be done better."""
    return choose([legal(), vienna(kind=Kind.PITFALL, reason=Reason.KING), first_move()])


def games_of(exercises: list[Exercise[Finding]]) -> list[chess.pgn.Game]:
    text = io.StringIO(exercises_pgn(exercises).decode(), newline="")
    games = list(iter(lambda: chess.pgn.read_game(text), None))
    assert [game.errors for game in games] == [[]] * len(games)
    return games


def cards_of(contents: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(contents.decode(), newline="")))


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
    """The best move of each position, and the move to avoid where one is asked about."""
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
            assert sans["bm"] == [exercise.finding.best_move]


def test_all_good_answers_are_listed() -> None:
    """Where two moves punish, both are `bm`, the taught one first, and the other one is a variation."""
    exercises = choose([legal(answers=("Nxd1", "Bxf7+"))])

    board, operations = chess.Board.from_epd(exercises_epd(exercises).decode())
    [game] = games_of(exercises)

    best: Any = operations["bm"]
    assert [board.san(move) for move in best] == ["Bxf7+", "Nxd1"]
    assert [one.san() for one in game.variations] == ["Bxf7+", "Nxd1"]


def test_two_columns() -> None:
    """Without a first day a card is a question and an answer."""
    contents = cards_csv(choose([legal()]), ENGLISH)

    [card] = cards_of(contents)
    assert contents.startswith(b"question,answer\r\n")
    assert card["question"].startswith("White to move. How do you punish 5...Bxd1? | 1.e4 e5 2.Nf3 d6")
    assert chess.Board(card["question"].rpartition(" | ")[2]) == choose([legal()])[0].board
    assert card["answer"].startswith("6.Bxf7+ Ke7 7.Nd5# | It allows mate in 2.")


def test_cards_come_back_in_growing_distances() -> None:
    """Three cards a day; each comes back after 1, 3, 7, 16 and 35 days."""
    rows = [legal(), vienna(), first_move(), vienna(key=1), legal(key=2)]

    cards = cards_of(cards_csv(choose(rows), ENGLISH, START))

    assert [card["due"] for card in cards] == ["2025-09-15"] * 3 + ["2025-09-16"] * 2
    assert cards[0]["again"] == "2025-09-16 2025-09-18 2025-09-22 2025-10-01 2025-10-20"
    for card in cards:
        first = date.fromisoformat(card["due"])
        assert [date.fromisoformat(day) - first for day in card["again"].split()] == [
            timedelta(days=days) for days in AGAIN_AFTER
        ]


@given(text=ANY_TEXT)
def test_hostile_text(text: str) -> None:
    """Whatever a tag or a reason holds, all exercises come back from every file as they went."""
    chosen = choose([legal(opening=text, eco=text, reason_detail=text), vienna(opening=text)])

    games = games_of(chosen)
    records = exercises_epd(chosen).decode().split("\n")
    cards = cards_of(cards_csv(chosen, ENGLISH))

    assert [[node.san() for node in game.mainline()] for game in games] == [
        list(one.solution) for one in chosen
    ]
    assert len(records) == len(chosen) + 1
    assert all(chess.Board.from_epd(line)[1]["bm"] for line in records[:-1])
    assert len(cards) == len(chosen)
    assert all(set(card) == {"question", "answer"} for card in cards)
    assert not [cell for card in cards for cell in card.values() if cell[:1] in tuple("=+-@＝＋－＠")]


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
