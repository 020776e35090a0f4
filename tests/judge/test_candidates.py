"""Tests of the choice of candidates."""

from __future__ import annotations

from typing import Any

import chess
import pyarrow as pa
import pytest

from miner.board.moves import pack
from miner.judge.candidates import find_candidates, positions_of
from miner.schema import POSITIONS
from miner.settings import JudgeSettings
from tests.judge.tables import board_after, key_of, reach_row, reach_table, replies_table, reply_row

SETTINGS = JudgeSettings(min_games=5, min_players=3, min_pick_rate=0.03, min_points=1.0)
OPEN_GAME = board_after("e4 e5 Nf3")


@pytest.mark.parametrize(
    ("row", "is_found"),
    [
        ({}, True),
        ({"games": 5}, True),
        ({"games": 4}, False),
        ({"players": 2}, False),
        ({"players": 0, "games_unknown": 5}, True),  # each may be another player
        ({"players": 1, "games_unknown": 2}, True),
        ({"players": 1, "games_unknown": 1}, False),
        ({"players": 3}, True),
        ({"pick_rate": 0.03}, True),
        ({"pick_rate": 0.02}, False),
    ],
)
def test_reply_must_be_frequent_enough(row: dict[str, Any], is_found: bool) -> None:
    """Too few games, too few players or too low a pick rate, each alone keeps a reply from being judged."""
    replies = replies_table(reply_row(OPEN_GAME, "f6", **row))

    found = find_candidates(replies, reach_table(reach_row(OPEN_GAME, steered_reach=1.0)), SETTINGS)

    assert len(found) == is_found


def test_limits_must_be_passed_in_the_same_band() -> None:
    """Many games in one band and a high pick rate in another do not make a candidate."""
    weaker = reply_row(OPEN_GAME, "f6", games=4, pick_rate=0.5)
    stronger = reply_row(OPEN_GAME, "f6", band="2000-2199", games=40, pick_rate=0.01)
    reach = reach_table(reach_row(OPEN_GAME), reach_row(OPEN_GAME, band="2000-2199"))

    found = find_candidates(replies_table(weaker, stronger), reach, SETTINGS)

    assert found.empty


@pytest.mark.parametrize(
    ("reach", "worth"),
    [
        ({"plain_reach": 0.25, "steered_reach": 0.5}, 5.0),  # 100 x 0.5 x 0.2 x 0.5
        ({"plain_reach": 0.25, "steered_reach": 0.1}, 2.5),
        ({"plain_reach": 0.0, "steered_reach": 0.1}, 1.0),  # just enough
        ({"plain_reach": 0.01, "steered_reach": 0.02}, None),  # 0.2 points at the most
    ],
)
def test_worth_is_by_the_likelier_way_to_the_position(reach: dict[str, float], worth: float | None) -> None:
    """A reply is worth what it could lose where it is met most; too little is not judged."""
    replies = replies_table(reply_row(OPEN_GAME, "f6"))

    found = find_candidates(replies, reach_table(reach_row(OPEN_GAME, **reach)), SETTINGS)

    assert found["worth"].tolist() == ([] if worth is None else [pytest.approx(worth)])


def test_reply_of_unknown_reach_is_worth_nothing() -> None:
    """A position that nobody of the band reaches by any counted way is not judged."""
    found = find_candidates(replies_table(reply_row(OPEN_GAME, "f6")), reach_table(), SETTINGS)

    assert found.empty


def test_equally_valuable_come_by_key_and_move() -> None:
    """Whatever the order in the tables: first the smaller key, then the smaller packed move."""
    boards = sorted((OPEN_GAME, board_after("e4 e5 Nc3")), key=key_of, reverse=True)
    sans = sorted(("Nc6", "f6", "d6"), key=lambda san: pack(OPEN_GAME.parse_san(san)), reverse=True)
    replies = replies_table(*(reply_row(board, san) for board in boards for san in sans))

    found = find_candidates(replies, reach_table(*map(reach_row, boards)), SETTINGS)

    ordered = [(key_of(board), pack(board.parse_san(san))) for board in boards[::-1] for san in sans[::-1]]
    assert list(zip(found["key"], found["move"], strict=True)) == ordered


def test_most_valuable_comes_first() -> None:
    """Candidates and positions are ordered by worth, the greatest of all bands."""
    rare, frequent = board_after("e4 e5 Nf3 Nc6"), OPEN_GAME
    replies = replies_table(
        reply_row(rare, "Bc4"),
        reply_row(frequent, "f6", pick_rate=0.1),
        reply_row(frequent, "f6", band="1000-1199", pick_rate=0.4),
        reply_row(frequent, "Nc6"),
    )
    reach = reach_table(
        reach_row(rare, steered_reach=0.3), reach_row(frequent), reach_row(frequent, band="1000-1199")
    )
    fens = [{"key": key_of(board), "fen": board.fen(), "ply": board.ply()} for board in (rare, frequent)]
    empty = {"path": "", "games": 100, "eco": "", "opening": ""}

    found = find_candidates(replies, reach, SETTINGS)
    positions = positions_of(found, pa.Table.from_pylist([fen | empty for fen in fens], schema=POSITIONS))

    assert [one.fen for one in positions] == [frequent.fen(), rare.fen()]
    assert [one.move for one in positions[0].candidates] == [
        chess.Move.from_uci("f7f6"),
        chess.Move.from_uci("b8c6"),
    ]
    assert [one.worth for one in positions[0].candidates] == [pytest.approx(10.0), pytest.approx(5.0)]
    assert positions[1].candidates[0].packed == pack(chess.Move.from_uci("f1c4"))


@pytest.mark.parametrize(
    ("score_sum", "promoted"),
    [
        (5.0, True),  # 25 % against 56 % of the other 80 games: 0.31 with a standard error of 0.125
        (8.0, False),  # 40 % against 53 %
        (16.0, False),  # better than the others
    ],
)
def test_reply_that_scores_clearly_less_is_promoted(score_sum: float, promoted: bool) -> None:
    """Two standard errors less than the others at the position are evidence."""
    row = reply_row(OPEN_GAME, "f6", score_sum=score_sum, score_sum_at_position=50.0)

    found = find_candidates(replies_table(row), reach_table(reach_row(OPEN_GAME)), SETTINGS)

    assert found["promoted"].tolist() == [promoted]


def test_two_standard_errors_are_enough() -> None:
    """2 points of 8 games against 6 of 8: 0.5 less, with a standard error of 0.25."""
    numbers = {"games": 8, "games_at_position": 16, "score_sum_at_position": 8.0}
    exactly = reply_row(OPEN_GAME, "f6", score_sum=2.0, **numbers)
    not_quite = reply_row(OPEN_GAME, "Nc6", score_sum=2.5, **numbers)

    found = find_candidates(replies_table(exactly, not_quite), reach_table(reach_row(OPEN_GAME)), SETTINGS)

    promoted = dict(zip(found["move"], found["promoted"], strict=True))
    assert promoted == {exactly["move"]: True, not_quite["move"]: False}


def test_bands_are_pooled_as_evidence() -> None:
    """What no band shows alone, two of them show together; a reply that all chose shows nothing."""
    bands = ("1200-1399", "1400-1599")
    rows = [
        reply_row(OPEN_GAME, "f6", band=band, score_sum=6.0, score_sum_at_position=46.0) for band in bands
    ]
    only = board_after("e4 e5 Nf3 Nc6")
    rows.append(reply_row(only, "Bc4", games=100, score_sum=10.0, score_sum_at_position=10.0))
    reach = reach_table(*(reach_row(OPEN_GAME, band=band) for band in bands), reach_row(only))

    apart = find_candidates(replies_table(rows[0]), reach, SETTINGS)
    together = find_candidates(replies_table(*rows), reach, SETTINGS)

    assert apart["promoted"].tolist() == [False]
    assert dict(zip(together["key"], together["promoted"], strict=True)) == {
        key_of(OPEN_GAME): True,
        key_of(only): False,
    }
