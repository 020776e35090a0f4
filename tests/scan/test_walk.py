"""The positions of whole games."""

from __future__ import annotations

import chess
import numpy as np

from miner.board.moves import pack
from miner.scan.walk import Walked, walked
from tests.stores import board_after, key_after


def walk_of(*games: str, first: int = 0, most: int = 30) -> Walked:
    """The walk of games in SAN."""
    rows = []
    for number, sans in enumerate(games):
        board, seen = chess.Board(), set()
        for ply, san in enumerate(sans.split()):
            move = board.parse_san(san)
            if board.epd() not in seen:  # as `moves` has it: a position counts at its first visit
                rows.append((number, ply, pack(move)))
            seen.add(board.epd())
            board.push(move)
    columns = np.array(rows).T
    game, ply, played = columns[0].astype(np.uint32), columns[1].astype(np.uint8), columns[2]
    return walked(game, ply, played.astype(np.uint16), first=first, most=most)


def test_each_position_once() -> None:
    """Two games that begin alike, and a transposition: equal positions are one."""
    walk = walk_of("e4 e5 Nf3 Nc6 Bb5", "Nf3 Nc6 e4 e5 Bc4")

    assert len(walk.fens) == len(set(walk.keys.tolist())) == 10
    meet = key_after("e4 e5 Nf3 Nc6")
    places = [walk.before[4], walk.before[9]]
    assert [int(walk.keys[place]) for place in places] == [meet, meet]
    assert [walk.fens[place].split()[0] for place in walk.after[[4, 9]]] == [
        board_after("e4 e5 Nf3 Nc6 Bb5").board_fen(),
        board_after("e4 e5 Nf3 Nc6 Bc4").board_fen(),
    ]
    assert walk.next_row.tolist() == [1, 2, 3, 4, -1, 6, 7, 8, 9, -1]


def test_first_moves_are_left_out() -> None:
    """From ply 4 on: the moves before lead to the first position."""
    walk = walk_of("e4 e5 Nf3 Nc6 Bb5 a6 Ba4", first=4)

    assert walk.ply.tolist() == [4, 5, 6]
    assert int(walk.keys[0]) == key_after("e4 e5 Nf3 Nc6")
    assert len(walk.fens) == 4  # the game has ended: the position after its last move counts


def test_moves_that_are_cut_off_say_nothing_of_the_last() -> None:
    """Where only so many plies were kept nobody knows what the last move led to."""
    walk = walk_of("e4 e5 Nf3 Nc6 Bb5", most=5)

    assert walk.after.tolist() == [1, 2, 3, 4, -1]
    assert len(walk.fens) == 5


def test_game_is_followed_up_to_a_repetition() -> None:
    """What was played at the second visit stands nowhere: the game is followed up to there."""
    walk = walk_of("e4 e5 Nf3 Nc6 Ng1 Nb8 d4 d5", "d4 d5 c4")

    assert walk.game.tolist() == [0] * 6 + [1] * 3
    assert walk.after.tolist()[5] == -1
    assert int(walk.keys[walk.before[6]]) == key_after("")
