"""Tests of the choice of candidates."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import chess
import pandas as pd
import pyarrow as pa
import pytest

from miner.board.moves import pack, unpack_move
from miner.board.settle import settled_balance
from miner.judge.candidates import OBVIOUS_PAWNS, find_candidates, pawns_hung, positions_of
from miner.schema import FORESEEN, POSITIONS
from miner.settings import JudgeSettings
from tests.judge.tables import board_after, key_of, reach_row, reach_table, replies_table, reply_row

NONE_FORESEEN = FORESEEN.empty_table()
SETTINGS = JudgeSettings(min_games=5, min_players=3)
BANDS = ("1000-1199", "1200-1399", "1400-1599", "1600-1799", "unrated")
OPEN_GAME = board_after("e4 e5 Nf3")
BOARDS = (OPEN_GAME, board_after("e4 e5 Nc3"), board_after("e4 e5 Nf3 Nc6"), board_after("d4"))


def found_among(
    replies: pa.Table,
    reach: pa.Table,
    settings: JudgeSettings = SETTINGS,
    foreseen: pa.Table = NONE_FORESEEN,
) -> pd.DataFrame:
    """The candidates among replies on the boards of this file."""
    return find_candidates(replies, reach, positions_table(*BOARDS), foreseen, BANDS, settings)


def foreseen_table(*rows: tuple[str, float], band: str = BANDS[1]) -> pa.Table:
    """Replies (SAN) in the open game that nobody of a band has played, with their rates."""
    told = [
        {"key": key_of(OPEN_GAME), "band": band, "move": pack(OPEN_GAME.parse_san(san)), "pick_rate": rate}
        for san, rate in rows
    ]
    return pa.Table.from_pylist(told, schema=FORESEEN)


def test_what_is_likely_is_judged_though_nobody_has_played_it() -> None:
    """Among the others by what it could be worth; what has been played often enough is there but once."""
    replies = replies_table(reply_row(OPEN_GAME, "f6", pick_rate=0.1), reply_row(OPEN_GAME, "h6", games=1))
    reach = reach_table(reach_row(OPEN_GAME, band=BANDS[1], steered_reach=0.5, plain_reach=0.1))

    found = found_among(replies, reach, foreseen=foreseen_table(("Bc5", 0.3), ("f6", 0.2), ("h6", 0.06)))

    sans = [OPEN_GAME.san(unpack_move(move)) for move in found["move"]]
    assert sorted(sans) == ["Bc5", "f6", "h6"]
    assert found["worth"][sans.index("Bc5")] == pytest.approx(100 * 0.5 * 0.3 * 0.5)


def test_what_is_only_likely_has_a_small_part_of_the_nodes() -> None:
    """A tenth of 6 million is enough for two replies at 300,000 each; those worth most are taken."""
    replies = replies_table(reply_row(OPEN_GAME, "f6"))
    reach = reach_table(reach_row(OPEN_GAME, band=BANDS[1]))
    foreseen = foreseen_table(("Bc5", 0.3), ("d5", 0.1), ("Bd6", 0.2), ("h6", 0.06))

    found = {
        nodes: found_among(replies, reach, replace(SETTINGS, nodes_in_all=nodes), foreseen)["move"].tolist()
        for nodes in (6_000_000, 0)
    }

    few = [OPEN_GAME.san(unpack_move(move)) for move in found[6_000_000]]
    assert sorted(few) == ["Bc5", "Bd6", "f6"]
    assert len(found[0]) == 5


def positions_table(*boards: chess.Board) -> pa.Table:
    empty = {"path": "", "games": 100, "eco": "", "opening": ""}
    rows = [{"key": key_of(board), "fen": board.fen(), "ply": board.ply()} | empty for board in boards]
    return pa.Table.from_pylist(rows, schema=POSITIONS)


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
        ({"pick_rate": 0.001}, True),  # whatever the share
    ],
)
def test_reply_must_be_frequent_enough(row: dict[str, Any], is_found: bool) -> None:
    """Too few games or too few players, each alone keeps a reply from being judged."""
    replies = replies_table(reply_row(OPEN_GAME, "f6", **row))

    found = found_among(replies, reach_table(reach_row(OPEN_GAME, steered_reach=1.0)))

    assert len(found) == is_found


@pytest.mark.parametrize(
    ("bands", "is_found"),
    [
        (("1000-1199", "1200-1399", "1400-1599"), True),
        (("1000-1199", "1400-1599", "1600-1799"), False),  # none has both others beside it
        (("1400-1599", "1600-1799", "unrated"), False),  # nobody knows who the unrated resemble
    ],
)
def test_neighbouring_bands_count_together(bands: tuple[str, ...], is_found: bool) -> None:
    """Two games in each of three bands are six, where the bands lie side by side."""
    rows = [reply_row(OPEN_GAME, "f6", band=band, games=2, players=2) for band in bands]
    reach = reach_table(*(reach_row(OPEN_GAME, band=band) for band in bands))

    found = found_among(replies_table(*rows), reach)

    assert len(found) == is_found


@pytest.mark.parametrize(
    ("moves", "reply", "pawns"),
    [
        ("f3 e5", "g4", 3),  # mate in one: Qh4
        ("e4 e5 Nf3 Nc6 Bc4 Nf6 Ng5 d5 exd5 Nxd5 Nxf7", "a6", 3),  # the queen hangs
        ("e4 e5 Nf3 Nc6", "Nxe5", 2),  # a knight for a pawn
        ("d4", "e5", 1),
        ("e4 e5 Nf3", "f6", 0),  # 3.Nxe5 fxe5 4.Qh5+ is no matter of captures
        ("e4 e5 Nf3", "Nc6", 0),
        ("e4 e5 Nf3", "Qg5", 3),  # 3.Nxg5
    ],
)
def test_what_everybody_can_see(moves: str, reply: str, pawns: int) -> None:
    """Mate in one or two, or what captures alone take."""
    board = board_after(moves)

    assert hung(board, board.parse_san(reply)) == pawns


def hung(board: chess.Board, reply: chess.Move) -> int:
    return pawns_hung(board, reply, settled_balance(board, board.turn))


def test_mate_in_two_by_checks_is_seen() -> None:
    """Re8+ Rxe8 Rxe8 mates once Black's rook has left the back rank, or has no move there but to die."""
    board = chess.Board("3r2k1/5ppp/8/p7/8/8/4R3/4R1K1 b - - 0 1")

    assert hung(board, chess.Move.from_uci("h7h5")) == 0
    assert hung(board, chess.Move.from_uci("d8a8")) == OBVIOUS_PAWNS


@pytest.mark.parametrize(("reply", "is_found"), [("Qg5", True), ("d5", False)])
def test_two_games_are_enough_for_the_obvious(reply: str, is_found: bool) -> None:
    """2...Qg5 gives the queen away, 2...d5 would need an engine to know."""
    row = reply_row(OPEN_GAME, reply, games=2, players=2)

    found = found_among(replies_table(row), reach_table(reach_row(OPEN_GAME)))

    assert len(found) == is_found


def test_likely_mistakes_come_sooner() -> None:
    """A pawn given away by one in twenty comes before what one in five play, and that before what most do."""
    rows = [
        reply_row(OPEN_GAME, san, games=games, pick_rate=games / 100, **scoring(games / 2))
        for san, games in (("Nc6", 70), ("d6", 20), ("d5", 5))
    ]
    d4 = reply_row(BOARDS[3], "e5", games=5, pick_rate=0.05, **scoring(2.5))

    found = found_among(replies_table(*rows, d4), reach_table(reach_row(OPEN_GAME), reach_row(BOARDS[3])))

    moves = [chess.Move.from_uci(uci) for uci in ("e7e5", "b8c6", "d7d6", "d7d5")]
    assert found["move"].tolist()[0] == pack(moves[0])
    assert found["worth"].idxmax() == found.index[found["move"] == pack(moves[1])][0] > 0


def test_reply_whose_players_score_less_comes_sooner() -> None:
    """Of two replies as frequent that hang nothing, the one by which less was scored is looked at first."""
    rows = [
        reply_row(OPEN_GAME, san, games=20, **scoring(score)) for san, score in (("Nc6", 11.0), ("d6", 9.0))
    ]

    found = found_among(replies_table(*rows), reach_table(reach_row(OPEN_GAME)))

    moves = [chess.Move.from_uci(uci) for uci in ("d7d6", "b8c6")]
    assert found["move"].tolist() == [pack(move) for move in moves]


def scoring(points: float) -> dict[str, float]:
    """The score of a reply's players at a position where half of the points are scored in all."""
    return {"score_sum": points, "games_at_position": 100, "score_sum_at_position": 50.0}


@pytest.mark.parametrize(
    ("reach", "worth"),
    [
        ({"plain_reach": 0.25, "steered_reach": 0.5}, 5.0),  # 100 x 0.5 x 0.2 x 0.5
        ({"plain_reach": 0.25, "steered_reach": 0.1}, 2.5),
        ({"plain_reach": 0.0, "steered_reach": 0.1}, 1.0),
        ({"plain_reach": 0.0, "steered_reach": 0.0}, None),  # nobody comes there
    ],
)
def test_worth_is_by_the_likelier_way_to_the_position(reach: dict[str, float], worth: float | None) -> None:
    """A reply is worth what it could lose where it is met most; nothing is not judged."""
    replies = replies_table(reply_row(OPEN_GAME, "f6"))

    found = found_among(replies, reach_table(reach_row(OPEN_GAME, **reach)))

    assert found["worth"].tolist() == ([] if worth is None else [pytest.approx(worth)])


def test_reply_of_unknown_reach_is_worth_nothing() -> None:
    """A position that nobody of the band reaches by any counted way is not judged."""
    found = found_among(replies_table(reply_row(OPEN_GAME, "f6")), reach_table())

    assert found.empty


def test_equally_valuable_come_by_key_and_move() -> None:
    """Whatever the order in the tables: first the smaller key, then the smaller packed move."""
    boards = sorted((OPEN_GAME, board_after("e4 e5 Nc3")), key=key_of, reverse=True)
    sans = sorted(("Nc6", "f6", "d6"), key=lambda san: pack(OPEN_GAME.parse_san(san)), reverse=True)
    replies = replies_table(*(reply_row(board, san) for board in boards for san in sans))

    found = found_among(replies, reach_table(*map(reach_row, boards)))

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
    found = found_among(replies, reach)
    positions = positions_of(found, positions_table(rare, frequent))

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

    found = found_among(replies_table(row), reach_table(reach_row(OPEN_GAME)))

    assert found["promoted"].tolist() == [promoted]


def test_two_standard_errors_are_enough() -> None:
    """2 points of 8 games against 6 of 8: 0.5 less, with a standard error of 0.25."""
    numbers = {"games": 8, "games_at_position": 16, "score_sum_at_position": 8.0}
    exactly = reply_row(OPEN_GAME, "f6", score_sum=2.0, **numbers)
    not_quite = reply_row(OPEN_GAME, "Nc6", score_sum=2.5, **numbers)

    found = found_among(replies_table(exactly, not_quite), reach_table(reach_row(OPEN_GAME)))

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

    apart = found_among(replies_table(rows[0]), reach)
    together = found_among(replies_table(*rows), reach)

    assert apart["promoted"].tolist() == [False]
    assert dict(zip(together["key"], together["promoted"], strict=True)) == {
        key_of(OPEN_GAME): True,
        key_of(only): False,
    }
