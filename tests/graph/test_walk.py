"""Ways to positions, and the tallied replies as edges between them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import chess
import chess.polyglot
import numpy as np
import pytest
from chess.polyglot import zobrist_hash
from hypothesis import given
from hypothesis import strategies as st

from miner.board.moves import pack, unpack_move
from miner.graph import walk as graphs
from miner.graph.walk import START_KEY, Graph, Ways, edges_of, walk
from miner.settings import TallySettings
from tests.stores import Game, board_after, key_after, position_after, tallied_store

Row = tuple[int, int, int]  # key, move, games


def arrays_of(rows: Sequence[Row]) -> tuple[Any, Any, Any]:
    """Keys, moves and games as `walk` takes them."""
    return (
        np.array([row[0] for row in rows], dtype=np.uint64),
        np.array([row[1] for row in rows], dtype=np.uint16),
        np.array([row[2] for row in rows], dtype=np.int64),
    )


def walked(
    replies: Sequence[tuple[str, str, int]], ways: Mapping[int, Sequence[chess.Move]] | None = None
) -> tuple[Graph, list[str]]:
    """The graph of replies given as (moves before, SAN, games), and the replies in its order."""
    rows = sorted(
        (key_after(before), pack(board_after(before).parse_san(san)), games, f"{before} {san}".strip())
        for before, san, games in replies
    )
    graph = walk(
        *arrays_of([row[:3] for row in rows]),
        lambda strays: packed({key: way for key, way in (ways or {}).items() if key in strays}),
    )
    return graph, [row[3] for row in rows]


def packed(ways: Mapping[int, Sequence[chess.Move]]) -> Ways:
    """Ways as `walk` takes them."""
    ways = dict(sorted(ways.items(), key=lambda item: len(item[1])))
    keys = np.array(list(ways), dtype=np.uint64)
    moves = [pack(move) for way in ways.values() for move in way]
    return Ways(keys, np.cumsum([0, *map(len, ways.values())]), np.array(moves, dtype=np.uint16))


def ways_of(graph: Graph) -> dict[int, str]:
    """The ways by key, in SAN with move numbers."""
    lines = [[chess.Move.from_uci(uci) for uci in path.split()] for path in graph.paths.to_pylist()]
    return {
        key: chess.Board().variation_san(line) if line else ""
        for key, line in zip(graph.keys.tolist(), lines, strict=True)
    }


@st.composite
def tallied(draw: st.DrawFn) -> list[Row]:
    """Replies as from a few games along few moves, with any counts; some are missing, as below the floor."""
    replies: dict[tuple[int, int], int] = {}
    for _ in range(draw(st.integers(1, 6))):
        board = chess.Board()
        for _ in range(draw(st.integers(1, 10))):
            moves = sorted(board.legal_moves, key=pack)
            move = moves[draw(st.sampled_from([0, 1, -1, -2])) % len(moves)]
            replies[chess.polyglot.zobrist_hash(board), pack(move)] = draw(st.integers(1, 3))
            board.push(move)
    kept = draw(st.sets(st.sampled_from(sorted(replies)), min_size=1))
    return [(key, move, replies[key, move]) for key, move in sorted(kept)]


def walked_by_hand(rows: list[Row]) -> dict[int, tuple[str, str]]:
    """FEN and path of each position that the rows lead to, with python-chess, one board after the other."""
    tallied = {key for key, _, _ in rows}
    front = {START_KEY: chess.Board()} if START_KEY in tallied else {}
    found: dict[int, chess.Board] = {}
    while front:
        found |= front
        best: dict[int, tuple[int, chess.Board]] = {}
        for at, board in front.items():
            for key, packed, games in rows:
                if key != at:
                    continue
                after = board.copy()
                after.push(unpack_move(packed))
                child = chess.polyglot.zobrist_hash(after)
                if child in tallied - found.keys() and (child not in best or games > best[child][0]):
                    best[child] = (games, after)
        front = {key: board for key, (_, board) in best.items()}
    return {
        key: (board.fen(en_passant="legal"), " ".join(move.uci() for move in board.move_stack))
        for key, board in found.items()
    }


@given(rows=tallied(), block=st.sampled_from([1, 3, 1 << 15]))
def test_walk_is_that_of_python_chess(rows: list[Row], block: int) -> None:
    """Positions, FENs, ways and where replies lead are those found board by board, however many at once."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(graphs, "_BLOCK", block)
        graph = walk(*arrays_of(rows), lambda _: packed({}))

    by_hand = walked_by_hand(rows)
    told = zip(graph.keys.tolist(), graph.fens.to_pylist(), graph.paths.to_pylist(), strict=True)
    assert {key: (fen, path) for key, fen, path in told} == by_hand
    assert graph.plies.tolist() == [len(by_hand[key][1].split()) for key in graph.keys.tolist()]
    for (key, move, _), parent, child in zip(rows, graph.parent, graph.child, strict=True):
        if key not in by_hand:
            assert parent == child == -1
            continue
        assert graph.keys[parent] == key
        board = chess.Board(by_hand[key][0])
        board.push(unpack_move(move))
        after = chess.polyglot.zobrist_hash(board)
        assert (graph.keys[child] == after) if after in by_hand else (child == -1)


def test_each_reply_leads_to_its_position() -> None:
    """A reply's child is the position after it, or -1 where that is not tallied."""
    graph, replies = walked([("", "e4", 5), ("", "d4", 2), ("e4", "e5", 3)])

    children = dict(zip(replies, graph.child.tolist(), strict=True))

    assert graph.keys[children["e4"]] == key_after("e4")
    assert children["d4"] == children["e4 e5"] == -1
    assert graph.keys.tolist() == sorted([START_KEY, key_after("e4")])


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


def test_strays_lead_on_whatever_their_plies() -> None:
    """Ways of unequal length are gone to their ends, and from there the tallied replies are followed."""
    ways = {key_after(moves): list(board_after(moves).move_stack) for moves in ("d4 d5 c4", "e4 e5")}
    replies = [("d4 d5 c4", "dxc4", 3), ("e4 e5", "Nf3", 3), ("e4 e5 Nf3", "Nc6", 3)]

    graph, _ = walked(replies, ways)

    assert sorted(ways_of(graph).values()) == ["1. d4 d5 2. c4", "1. e4 e5", "1. e4 e5 2. Nf3"]
    assert sorted(graph.fens.to_pylist()) == sorted(
        board_after(moves).fen(en_passant="legal") for moves in ("d4 d5 c4", "e4 e5", "e4 e5 Nf3")
    )


def test_no_replies_make_no_graph() -> None:
    """Nothing tallied gives nothing."""
    graph, _ = walked([])

    assert len(graph.keys) == len(graph.fens) == len(graph.paths) == 0
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


DETOUR = [Game(moves="Nf3 Nf6 Ng1 Ng8 e4 e5 d4 d5")] * 2
STRAY = [Game(moves="d4 d5 c4 e6"), Game(moves="c4 d5 d4 e6")]


@pytest.mark.parametrize(
    ("games", "without_a_way"),
    [([*STRAY, *[Game(moves="e4 c5 Nf3")] * 2], 0), ([*DETOUR, *[Game(moves="c4 c5 Nf3")] * 3], 3)],
)
def test_each_edge_leads_where_its_move_does(games: list[Game], without_a_way: int, tmp_path: Path) -> None:
    """Also where no chain of tallied replies leads to a position, and where no way at all is known."""
    store = tallied_store(tmp_path, games, TallySettings(min_games=2))
    positions, replies = store.read_table("positions"), store.read_table("replies")

    edges = edges_of(positions, replies, store.read_table("edges"))

    assert store.require("tally").facts["positions_without_a_way"] == without_a_way
    assert edges.keys.tolist() == positions["key"].to_pylist()
    assert {*zip(edges.key.tolist(), edges.move.tolist(), edges.games.tolist(), strict=True)} == {
        (row["key"], row["move"], row["games"]) for row in replies.to_pylist()
    }
    boards = [chess.Board(fen) for fen in positions["fen"].to_pylist()]
    assert edges.white_to_move.tolist() == [board.turn for board in boards]
    for parent, child, key, move in zip(edges.parent, edges.child, edges.key, edges.move, strict=True):
        board = boards[parent].copy()
        assert zobrist_hash(board) == key
        board.push(unpack_move(int(move)))
        after = zobrist_hash(board)
        assert after == edges.keys[child] if child >= 0 else after not in edges.keys
    assert edges.keys[edges.start] == key_after("")
