"""Annotated model games, read back by python-chess and by the core."""

from __future__ import annotations

import io
from dataclasses import replace

import chess.pgn

from miner.game.notes import Note, Told
from miner.game.pgn import model_pgn
from miner.game.phrases import Sentence
from miner.game.story import SIGNS
from miner.pgn.readers import make_reader
from tests.game.games import OPERA
from tests.reading import decode, each_reader


def read_back(told: Told) -> chess.pgn.Game:
    """The game as python-chess reads it, without errors."""
    game = chess.pgn.read_game(io.StringIO(model_pgn([told]).decode()))
    assert game is not None
    assert game.errors == []
    return game


def test_main_line_and_signs(opera: Told) -> None:
    """The moves of the game; each sign is one of NAGs 1 to 6 in the main line."""
    nodes = list(read_back(opera).mainline())

    assert [node.san() for node in nodes] == OPERA.split()
    signs = {node.san(): node.nags for node in nodes if node.nags}
    assert signs["Qb8+"] == {chess.pgn.NAG_BRILLIANT_MOVE}
    assert signs["b5"] == {chess.pgn.NAG_MISTAKE}
    assert {nag for nags in signs.values() for nag in nags} <= SIGNS.keys()


def test_question_stands_before_its_answer(opera: Told) -> None:
    """And the reason after it."""
    nodes = list(read_back(opera).mainline())

    asked = " ".join(nodes[25].comment.split())
    assert "Stop 2: White to move. One move is clearly the best. Which? Hint: " in asked
    assert "Rd1" not in asked
    assert "Clearly the best move" in nodes[26].comment


def test_better_line_is_a_variation(opera: Told) -> None:
    """It stands instead of the mistake, and ends with a NAG for the standing."""
    nodes = list(read_back(opera).mainline())

    _, better = nodes[27].variations
    line = [better, *better.mainline()]
    assert (line[0].san(), line[0].parent) == ("Bxf6", nodes[27])
    assert line[-1].nags & {*range(10, 20)}


def test_line_behind_the_last_move_is_no_move_of_the_game(opera: Told) -> None:
    """It is told in words, in full; nor does a line that goes on where the game ends lengthen it."""
    last = len(OPERA.split()) - 1
    punished = ("Nxb8", "Rd8#")
    seen = replace(opera.seen, game=replace(opera.seen.game, moves=opera.seen.game.moves[: last - 1]))
    point = Note(sentences=[Sentence("point", line=punished, ply=last - 1)], point=punished)
    beyond = Note(point=("Qb8+", *punished))

    told = replace(opera, seen=seen, notes={last - 2: point, last - 3: beyond}, stops=[])
    nodes = list(read_back(told).mainline())

    assert [node.san() for node in nodes] == OPERA.split()[: last - 1]
    assert nodes[-1].comment == "It is punished by 16...Nxb8 17.Rd8#."


def test_tags_name_nobody(opera: Told) -> None:
    """The opening, the number in the store and the ratings, but no player."""
    headers = read_back(opera).headers

    assert (headers["White"], headers["Black"]) == ("?", "?")
    assert headers["Event"] == "Model game 7: Philidor Defence"
    assert (headers["WhiteElo"], headers["BlackElo"], headers["ECO"]) == ("1500", "1200", "C41")


@each_reader
def test_core_reads_it(reader: str, opera: Told) -> None:
    """Comments, variations and NAGs do not keep the project's own readers from the moves."""
    text = model_pgn([opera]).partition(b"\n\n")[2].replace(b"\n", b" ")

    decoded = decode(make_reader(reader), text)  # type: ignore[arg-type]

    assert len(decoded.visits.moves) == len(OPERA.split())
    assert not decoded.is_illegal.any()
