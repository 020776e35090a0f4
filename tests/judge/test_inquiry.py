"""Tests of what is asked about a position, with scripted answers: the engine's centipawns are in a dict."""

from __future__ import annotations

from dataclasses import dataclass, field

import chess

from miner.engine.verdicts import Answer, Failure, Request, Verdict, mover
from miner.judge.inquiry import Judgement, Retreat, inquire
from miner.settings import JudgeSettings
from miner.terms import Score, expected_score
from tests.judge.tables import board_after, position

SETTINGS = JudgeSettings(nodes=(100, 200, 400), keep=(0.4, 0.8), loss_threshold=0.10, tempo_threshold=0.05)
AFTER_E5 = "e4 e5"


@dataclass
class Script:
    """An engine that knows what each move is worth, and notes what it was asked."""

    cp: dict[str, int]  # by UCI move; moves that are not named are worth -1000
    cp_later: dict[str, int] = field(default_factory=dict)  # the same after the reply and its answer
    lines: dict[str, str] = field(default_factory=dict)  # the line that begins with a move
    fails_over: tuple[str, int] = ("", 0)  # a move (empty: all moves) and nodes
    asked: list[tuple[int, tuple[str, ...]]] = field(default_factory=list)
    first_fen: str = ""

    def answer(self, request: Request) -> Answer:
        self.asked.append((request.nodes, request.searchmoves))
        self.first_fen = self.first_fen or request.fen
        worth = self.cp if request.fen == self.first_fen else self.cp_later
        if (" ".join(request.searchmoves), request.nodes) == self.fails_over:
            return Failure("no engine left")
        legal = [move.uci() for move in chess.Board(request.fen).legal_moves]
        best = max(request.searchmoves or legal, key=lambda move: worth.get(move, -1000))
        pv = tuple(self.lines.get(best, best).split())
        return Verdict(Score(mover(request), cp=worth.get(best, -1000)), pv, request.nodes, 9)

    def judge(self, moves: str, *replies: str) -> list[Judgement]:
        inquiry = inquire(position(moves, *replies, worth=2.0), SETTINGS)
        requests = next(inquiry)
        while True:
            try:
                requests = inquiry.send([self.answer(request) for request in requests])
            except StopIteration as end:
                return list(end.value)


def test_stages_are_asked_for_what_is_open() -> None:
    """A blunder goes to the end, a doubtful move to the second stage, a good one only to the screen."""
    script = Script({"g1f3": 30, "f1c4": 25, "b1c3": -5, "d1h5": -80})

    judgements = script.judge(AFTER_E5, "Nf3", "Bc4", "Nc3", "Qh5")

    assert [[look.nodes for look in one.looks] for one in judgements] == [
        [100],
        [100],
        [100, 200],
        [100, 200, 400],
    ]
    assert [round(one.loss, 3) for one in judgements] == [0.0, 0.007, 0.05, 0.156]
    assert script.asked == [
        (100, ()),
        (100, ("f1c4",)),
        (100, ("b1c3",)),
        (100, ("d1h5",)),
        (200, ()),
        (200, ("b1c3",)),
        (200, ("d1h5",)),
        (400, ()),
        (400, ("d1h5",)),
    ]


def test_failed_position_fails_its_open_candidates() -> None:
    """Without the best move there is no loss; what was settled before stays."""
    script = Script({"g1f3": 30, "f1c4": 25, "d1h5": -80}, fails_over=("", 200))

    good, blunder = script.judge(AFTER_E5, "Bc4", "Qh5")

    assert (good.failure, blunder.failure) == ("", "no engine left")


def test_failed_reply_fails_alone() -> None:
    """Only the candidate whose search failed is inconclusive."""
    script = Script({"g1f3": 30, "b1c3": -80, "d1h5": -80}, fails_over=("d1h5", 200))

    other, failed = script.judge(AFTER_E5, "Nc3", "Qh5")

    assert (len(other.looks), other.failure, failed.failure) == (3, "", "no engine left")


def test_illegal_reply_is_a_failure() -> None:
    """A reply that cannot be played where it was tallied is told, and no engine is asked."""
    script = Script({"g1f3": 30})
    strange = position(AFTER_E5, "Nf3")
    inquiry = inquire(type(strange)(strange.key, board_after("e4").fen(), strange.candidates), SETTINGS)

    try:
        next(inquiry)
    except StopIteration as end:
        [judgement] = end.value

    assert judgement.failure == "the reply is not legal in this position"
    assert script.asked == []


VIENNA = {"d7d5": 20, "e5f4": -50}
AFTER_4_E5 = {"f6g8": -50, "d8e7": -180, "d7d6": -250}
LINES = {"e5f4": "e5f4 e4e5 f6g8", "d8e7": "d8e7 d1e2 f6g8"}


def test_forced_retreat_is_measured_against_the_rest() -> None:
    """4...Qe7 only puts off the way home, so that it is 4...d6 which shows what staying costs."""
    script = Script(VIENNA, AFTER_4_E5, LINES)

    [judgement] = script.judge("e4 e5 Nc3 Nf6 f4", "exf4")

    assert judgement.retreat == Retreat("f6g8", expected_score(-50) - expected_score(-250))
    assert script.asked[-3] == (200, ())
    assert "d8e7" in script.asked[-2][1]
    assert "d8e7" not in script.asked[-1][1]
    assert not {"f6g8"} & {*script.asked[-1][1], *script.asked[-2][1]}


def test_free_retreat_is_none() -> None:
    """If another move is best after all, nobody is driven home."""
    script = Script(VIENNA, AFTER_4_E5 | {"d7d6": 0}, LINES)

    [judgement] = script.judge("e4 e5 Nc3 Nf6 f4", "exf4")

    assert judgement.retreat is None
