"""Ways to positions: shortest, most played, and those that no tallied reply leads to."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import chess
import numpy as np
import pytest

from miner.board.lines import pack
from miner.settings import TallySettings
from miner.tally.graph import START_KEY, Graph, Ways, walk
from tests.stores import Game, board_after, key_after, position_after, tallied_store


def walked(replies: Sequence[tuple[str, str, int]], ways: Ways | None = None) -> tuple[Graph, list[str]]:
    """The graph of replies given as (moves before, SAN, games), and the replies in its order."""
    rows = sorted(
        (key_after(before), pack(board_after(before).parse_san(san)), games, f"{before} {san}".strip())
        for before, san, games in replies
    )
    graph = walk(
        np.array([row[0] for row in rows], dtype=np.uint64),
        np.array([row[1] for row in rows], dtype=np.uint16),
        np.array([row[2] for row in rows], dtype=np.int64),
        lambda strays: {key: way for key, way in (ways or {}).items() if key in strays},
    )
    return graph, [row[3] for row in rows]


def ways_of(graph: Graph) -> dict[int, str]:
    return {
        one.key: chess.Board().variation_san(list(one.path)) if one.path else "" for one in graph.positions
    }


def test_each_reply_leads_to_its_position() -> None:
    """A reply's child is the position after it, or -1 where that is not tallied."""
    graph, replies = walked([("", "e4", 5), ("", "d4", 2), ("e4", "e5", 3)])

    children = dict(zip(replies, graph.child.tolist(), strict=True))

    assert graph.positions[children["e4"]].key == key_after("e4")
    assert children["d4"] == children["e4 e5"] == -1
    assert [one.key for one in graph.positions] == [START_KEY, key_after("e4")]


def test_shortest_way_wins() -> None:
    """The Caro-Kann is named by two plies, not by four with a tempo lost by both."""
    around = [("", "e3", 9), ("e3", "c6", 9), ("e3 c6", "e4", 9)]
    straight = [("", "e4", 1), ("e4", "c6", 1), ("e4 c6", "d4", 1)]

    graph, _ = walked([*around, *straight])

    assert ways_of(graph)[key_after("e4 c6")] == "1. e4 c6"


def test_most_played_of_equal_ways() -> None:
    """Of two ways of equal length the one is named whose last step more games took."""
    queens_pawn = [("", "d4", 5), ("d4", "Nf6", 5), ("d4 Nf6", "c4", 5)]
    english = [("", "c4", 7), ("c4", "Nf6", 7), ("c4 Nf6", "d4", 7)]

    graph, _ = walked([*queens_pawn, *english, ("d4 Nf6 c4", "e6", 12)])

    assert ways_of(graph)[key_after("d4 Nf6 c4")] == "1. c4 Nf6 2. d4"


def test_stray_position_is_asked_for() -> None:
    """A position that no tallied reply leads to takes the way it is told; without one it is left out."""
    board = board_after("e4 e5")
    way = list(board.move_stack)
    replies = [("", "d4", 3), ("e4 e5", "Nf3", 3), ("c4 c5", "Nc3", 3)]

    graph, _ = walked(replies, {key_after("e4 e5"): way})

    assert ways_of(graph)[key_after("e4 e5")] == "1. e4 e5"
    assert key_after("c4 c5") not in ways_of(graph)


def test_no_replies_make_no_graph() -> None:
    """Nothing tallied gives nothing."""
    graph, _ = walked([])

    assert graph.positions == ()
    assert len(graph.child) == 0


def test_stray_takes_the_way_of_one_of_its_games(tmp_path: Path) -> None:
    """Two ways into the Queen's Gambit, a game each, do not count alone, but the position does."""
    games = [Game(moves="d4 d5 c4 e6"), Game(moves="c4 d5 d4 e6")]
    store = tallied_store(tmp_path, games, TallySettings(min_games=2))

    gambit = position_after(store, "d4 d5 c4")

    assert gambit["path"] in ("d2d4 d7d5 c2c4", "c2c4 d7d5 d2d4")
    assert (gambit["ply"], gambit["games"]) == (3, 2)
    assert gambit["fen"] == board_after("d4 d5 c4").fen(en_passant="legal")


def test_stray_beyond_a_repetition_has_no_way(tmp_path: Path) -> None:
    """Where a game's record skips a repeated position its way is not known; the facts tell how many."""
    games = [Game(moves="e4 Nf6 Nc3 Ng8 Nb1 e5 Nf3"), Game(moves="e3 e6 Nc3 Nc6 Nb1 Nb8 e4 e5 Nc3")]
    store = tallied_store(tmp_path, games, TallySettings(min_games=2))

    manifest = store.require("tally")

    assert manifest.rows["positions"] == 1  # the start; 1.e4 e5 was met twice, too, but nobody knows how
    assert manifest.facts["positions_without_a_way"] == 1


def test_stray_takes_a_game_that_is_on_record_whole(tmp_path: Path) -> None:
    """A longer game without a repetition shows the way where the shorter one skips a move."""
    shorter = Game(moves="e4 Nf6 Nc3 Ng8 Nb1 e5 Nf3")
    longer = Game(moves="e3 e6 Nc3 Nc6 a3 a6 e4 e5 Nf3")  # another position: it has a3 and a6
    whole = Game(moves="e3 e6 e4 e5 Nf3")
    store = tallied_store(tmp_path, [shorter, longer, whole], TallySettings(min_games=2))

    assert position_after(store, "e4 e5")["path"] == "e2e3 e7e6 e3e4 e6e5"


@pytest.mark.parametrize(
    "moves", ["e4 e5 Nf3 Nc6 Bb5 a6 O-O", "e4 a6 e5 d5 exd6", "e4 d5 exd5 c6 dxc6 Nf6 cxb7 Bd7 bxa8=N"]
)
def test_special_moves_lead_on(moves: str, tmp_path: Path) -> None:
    """Castling, en passant and promotion lead to the positions that they lead to."""
    store = tallied_store(
        tmp_path, [Game(moves=f"{moves} h6")] if len(moves.split()) % 2 else [Game(moves=moves)]
    )

    position = position_after(store, moves)

    assert position["fen"] == board_after(moves).fen(en_passant="legal")
    assert position["path"] == " ".join(move.uci() for move in board_after(moves).move_stack)
