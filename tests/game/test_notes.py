"""What is said beside the moves: signs, sentences, better lines."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import chess
import chess.pgn
import pytest

from miner.explain.explanation import ADVANTAGE
from miner.game.inquiry import Seen
from miner.game.notes import Told, gives_up, told_of
from miner.game.story import introduction, story, whom
from miner.lesson.phrases import Tongue
from miner.terms import Score
from tests.game.games import OPERA, given, told_by

ENGLISH = Tongue.of("en")


def said(told: Told, ply: int) -> str:
    """All that is said of a move."""
    return " ".join(sentence.words() for sentence in told.notes[ply].sentences)


def test_losing_reply_is_told_of_by_its_finding(opera: Told) -> None:
    """Its reason and what was better, from the store; then that the taught answer was played."""
    assert said(opera, 17) == "White wins a pawn. Better was 9...Qc7 10.a4 a6."
    assert "This is the taught answer." in said(opera, 18)
    assert opera.notes[17].nag == chess.pgn.NAG_MISTAKE


def test_only_move(opera: Told) -> None:
    """An exclamation mark; it is the only one if no other move keeps a clear advantage."""
    choice = opera.seen.choices[26]
    lost = replace(choice, other=replace(choice.other, score=choice.other.score.for_other))
    alone = told_of(replace(opera.seen, choices={26: lost}))

    assert choice.other.score.expected >= ADVANTAGE > lost.other.score.expected
    assert opera.notes[26].nag == alone.notes[26].nag == chess.pgn.NAG_GOOD_MOVE
    assert said(opera, 26).startswith("Clearly the best move: every other gives away 0.")
    assert said(alone, 26).startswith("The only move: every other gives away 0.")


def test_sacrifice_that_is_the_only_move(opera: Told) -> None:
    """The queen for a mate: two exclamation marks."""
    assert opera.notes[30].nag == chess.pgn.NAG_BRILLIANT_MOVE
    assert said(opera, 30).startswith(
        "No other move mates as soon. It gives up material, and no other move is better."
    )


def test_what_the_winner_gave_away(opera: Told) -> None:
    """A missed chance is told without a question mark of its own: it leaves White well enough off."""
    assert opera.notes[28].nag == chess.pgn.NAG_DUBIOUS_MOVE
    assert "better was 15.Bxf6" in said(opera, 28)


def test_mating_square(opera: Told) -> None:
    """Who bears on it, and who guards it."""
    assert said(opera, 32).endswith("The square is d8: Rd1 and Bg5 bear on it, and only the king guards it.")


def test_end_after_a_resignation(engine: Path, verdicts: Path) -> None:
    """The last forced line stands there in full, although the loser gave up before it."""
    told = told_by(engine, verdicts, given(OPERA.rpartition(" Nxb8")[0]))

    assert said(told, 30).endswith("Here the game ended. It is mate by force: 16...Nxb8 17.Rd8#.")


def test_introduction(opera: Told) -> None:
    """What is shown, why it was chosen, where the stops are, without anybody's name."""
    shown, chosen, decided, stops = introduction(opera).split(". ")

    assert shown == "Shown is how 9...b5 is punished"
    assert chosen.startswith("After it White's marked moves give away 0.")
    assert decided == "From move 16 on it is decided"
    assert stops == "Three stops: before moves 12, 14 and 16."
    assert whom(opera) == "2024.03.01, won by a player rated 1500 against 1200, 1-0"


def test_nothing_given_away_is_told_in_words(opera: Told) -> None:
    """Where the winner lost nothing that counts no 0.00 is told."""
    clean = replace(opera.seen, turns={})

    assert told_of(clean).why_chosen == (
        "No move of White after it gives away much. From move 16 on it is decided."
    )


def with_first_look(told: Told, ply: int, cp: int) -> Seen:
    """The game, as if the first look before a ply had given so many centipawns to the side to move."""
    looks = list(told.seen.looks)
    look = looks[ply]
    assert look is not None
    looks[ply] = replace(look, score=Score(side=look.score.side, cp=cp))
    return replace(told.seen, looks=looks)


def test_gain_given_back_on_the_way(opera: Told) -> None:
    """It is not told as if what followed had been one punishment."""
    level = with_first_look(opera, 30, 0)
    told, never_slipped = told_of(level), told_of(replace(level, turns={}))

    assert "The advantage is gone again before move 16; what decides comes later." in told.why_chosen
    assert "gone again" not in opera.why_chosen + never_slipped.why_chosen


def test_no_move_from_which_it_is_decided(opera: Told) -> None:
    """Where that is only so when the game has ended."""
    told = told_of(with_first_look(opera, 32, 100))

    assert "decided" not in told.why_chosen


def test_nothing_decides_where_the_game_ends_level(opera: Told) -> None:
    """After a gain that was given back it is not said that something decided later."""
    told = told_of(with_first_look(replace(opera, seen=with_first_look(opera, 30, 0)), 32, 100))

    assert "The advantage is gone again before move 16." in told.why_chosen
    assert "decides" not in told.why_chosen


def test_story_has_all_moves(opera: Told) -> None:
    """In parts, none left out, each stop before its answer."""
    parts = story(opera, ENGLISH)

    moves = " ".join(part.moves for part in parts).replace("...", ".").split()
    sans = [word.rpartition(".")[2].rstrip("!?") for word in moves]
    assert sans == [*OPERA.split(), "1-0"]
    assert [part.moves.split()[-1] for part in parts if part.stop] == ["Nbd7", "Rxd7", "15...Nxd7"]


@pytest.mark.parametrize(
    ("fen", "san", "gives"),
    [
        ("r1bq1rk1/pppn1ppp/4pn2/3p4/3P4/3BPN2/PPP2PPP/R2QK2R w KQ - 0 1", "Bxh7+", True),
        # The queens come off, and nothing is given up.
        ("3q2k1/5ppp/8/8/8/8/3Q1PPP/6K1 w - - 0 1", "Qxd8+", False),
        # The rook is lost whatever White plays: that is no sacrifice.
        ("6k1/5pp1/7p/8/8/2b5/5PPP/R3R1K1 w - - 0 1", "h3", False),
    ],
)
def test_sacrifices(fen: str, san: str, gives: bool) -> None:
    """A sacrifice gives up two pawns or more that another move would have kept."""
    board = chess.Board(fen)

    assert gives_up(board, board.parse_san(san)) is gives
