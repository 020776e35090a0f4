"""Which games are looked at nine plies later, where they stand then, and what is left of the material."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import chess
import chess.polyglot
import pandas as pd
import pytest

from miner.board.moves import pack
from miner.follow.lasting import Later, lasted, later_of, pawns_won
from miner.follow.passages import moves_of, sampled_games
from miner.means import Means
from miner.store.query import Resources, connected_to_games
from tests.stores import Game, key_after, read_store

LONG = "e4 e5 Qh5 g6 Qxe5 Be7 Qxh8 Kf8 Nc3 d6 d4 Be6 Be3 Nd7 O-O-O"
REPLY = 3  # the ply of 2...g6
KEPT = 30


def rows_of(*games: str) -> pd.DataFrame:
    """Rows of `moves`, a position met again left out, as in the table."""
    rows: list[dict[str, Any]] = []
    for number, sans in enumerate(games):
        board, met = chess.Board(), set()
        for ply, san in enumerate(sans.split()):
            key, move = chess.polyglot.zobrist_hash(board), board.push_san(san)
            if key not in met:
                rows.append({"game": number, "ply": ply, "key": key, "move": pack(move)})
            met.add(key)
    return pd.DataFrame(rows).astype({"game": "uint32", "ply": "uint8", "key": "uint64", "move": "uint16"})


def later(*games: str, kept: int = KEPT) -> Later:
    """The games, all of the sample, from Black's second move on."""
    moves = rows_of(*games)
    there = moves[moves["ply"] == REPLY].rename(columns={"move": "chosen"})
    return later_of(there.assign(move=there["chosen"]).reset_index(drop=True), moves, kept)


def test_nine_plies_later() -> None:
    """After 2...g6 and nine more plies White's queen stands in the corner, and Black is to move."""
    found = later(LONG)

    board = chess.Board()
    for san in LONG.split()[: REPLY + 1 + 9]:
        board.push_san(san)
    assert found.games["plies"].tolist() == [9]
    assert chess.Board(found.fens[0]).epd() == board.epd()
    assert found.games["answer"].tolist() == [pack(chess.Move.from_uci("h5e5"))]


def test_a_game_that_ends_counts_with_its_last_position() -> None:
    """Who resigns after 3.Qxe5+ Be7 4.Qxh8 has not got away; of a game with nothing after the reply all is
    known that can be.
    """
    found = later("e4 e5 Qh5 g6 Qxe5 Be7 Qxh8", "e4 e5 Qh5 g6")

    assert found.games[["game", "plies"]].to_numpy().tolist() == [[0, 2]]


def test_a_game_that_is_cut_off_must_go_on_for_a_while() -> None:
    """Of seven kept plies two are left after the reply: too few; of nine, four."""
    moves = LONG.split()

    assert later(" ".join(moves[:7]), kept=7).games.empty
    assert later(" ".join(moves[:9]), kept=9).games["plies"].tolist() == [4]


def test_after_a_position_met_again_nothing_is_known() -> None:
    """4.Nc3 Nf6 5.Nb1 Ng8 is where 3...a6 led: what White plays there again stands nowhere."""
    found = later("e4 e5 Nf3 Nc6 Bb5 a6 Nc3 Nf6 Nb1 Ng8 Ba4 b5 Bb3 Bb7 O-O d6")

    assert found.games["plies"].tolist() == [5]
    assert found.fens[0].startswith("r1bqkb1r/1ppp1ppp/p1n2n2/1B2p3/4P3/5N2/PPPP1PPP/RNBQK2R b")


def test_a_position_of_several_games_is_looked_at_once() -> None:
    """Three games that are alike so far."""
    found = later(LONG, LONG + " Bf6", LONG + " Nb6")

    assert len(found.games) == 3
    assert len(found.fens) == 1


@pytest.mark.parametrize(
    ("later_fen", "won"),
    [
        ("rnbqkbnr/pppp1ppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 3", 1),  # a pawn
        ("rnbqkbnr/pppp1ppp/8/4Q3/8/8/PPPPPPPP/RNB1KBNR b KQkq - 0 3", 1),
        ("rnb1kbnr/pppp1ppp/8/8/8/2n5/PPPPPPPP/RNBQKBNR w KQkq - 0 3", 13 - 3),  # and the knight can be taken
    ],
)
def test_what_is_won_is_counted_with_captures_settled(later_fen: str, won: int) -> None:
    """From the position before the reply on, for the side that did not make it."""
    assert pawns_won(("rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR b KQkq - 0 1", later_fen)) == won


def test_what_is_won_is_counted_of_those_who_played_the_taught_answer() -> None:
    """3.Qxe5+ aims at the rook; who played 3.Qf3 punished it, too, and is not held to have let a rook go."""
    found = later(LONG, "e4 e5 Qh5 g6 Qf3 Nf6 Nc3 d6 Bc4 Bg7", "e4 e5 Qh5 g6 Qe2 Nf6")
    games = found.games.assign(cp=pd.array([-500, -80, 20], dtype="Int64"))
    queen = [pack(chess.Move.from_uci(f"h5{square}")) for square in ("e5", "f3")]
    fen = "rnbqkbnr/pppp1ppp/8/4p2Q/4P3/8/PPPP1PPP/RNB1KBNR b KQkq - 1 2"
    judged = pd.DataFrame({"answer": queen, "is_good": [True, True], "is_taught": [True, False]}).assign(
        fen=fen, **{name: games[name].iloc[0] for name in ("key", "move")}
    )

    told = lasted(games, found.fens, judged.astype({"answer": "uint16"}), Means(processes=1))

    assert told["found"].tolist() == [True, True, pd.NA]
    assert told["won"].tolist() == [6, pd.NA, pd.NA]


def test_the_sample_is_capped_and_has_both(tmp_path: Path) -> None:
    """Of nine games with 1...e5 and seven with 1...c5, three each; the same ones when games are added."""
    games = [
        Game(moves=f"e4 {reply} Nf3") for reply in ("e5", "c5") for _ in range(9 if reply == "e5" else 7)
    ]
    samples = []
    for number, some in enumerate((games, [*games, *games[:1]])):
        store = read_store(tmp_path / str(number), some)
        board = chess.Board()
        board.push_san("e4")
        losing = pd.DataFrame({"key": [key_after("e4")], "move": [pack(board.parse_san("c5"))]})
        losing = losing.astype({"key": "uint64", "move": "uint16"})
        with (
            store.scratch() as spill,
            connected_to_games(store.path("moves"), store.path("games"), spill, Resources()) as connection,
        ):
            samples.append(sampled_games(connection, losing, 3))
            assert len(moves_of(connection, samples[-1])) == 3 * 6

    first, grown = samples
    is_reply = first["chosen"] == first["move"]
    assert is_reply.sum() == 3
    assert (~is_reply).sum() == 3
    assert len(set(first["game"]) & set(grown["game"])) >= 5
