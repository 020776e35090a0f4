"""Moments as annotated games and EPD, read back by python-chess."""

from __future__ import annotations

import io
from typing import Any

import chess.pgn

from miner.export.moments import moments_epd, moments_pgn
from tests.finding.moments import queen_raid, scholar, told_moment


def games_of(contents: bytes) -> list[chess.pgn.Game]:
    text = io.StringIO(contents.decode())
    return list(iter(lambda: chess.pgn.read_game(text), None))


def moments(*rows: dict[str, Any]) -> Any:
    return [told_moment(row) for row in rows]


def test_a_game() -> None:
    """The mistake with its sign, the punishment, what was played instead, and what was better."""
    missed = queen_raid(played="h5f3", found=False) | {"answers": ["h5e5", "g1f3"]}

    [game, mate] = games_of(moments_pgn(moments(missed, scholar(1))))

    reply = game.variations[0]
    assert game.errors == []
    assert game.headers["FEN"] == missed["fen"]
    assert (game.headers["Event"], game.headers["Round"]) == ("Motif: double attack", "1")
    assert (reply.san(), reply.nags) == ("g6", {chess.pgn.NAG_BLUNDER})
    assert "Players rated below 1000 erred" in " ".join(str(reply.comment).split())
    answers = {child.san(): " ".join(str(child.comment).split()) for child in reply.variations}
    assert list(answers) == ["Qxe5+", "Nf3", "Qf3"]
    assert (answers["Nf3"], answers["Qf3"]) == ("Good as well.", "This was played.")
    last = game.end()
    assert last.board().peek() == chess.Move.from_uci("e5h8")
    assert " ".join(str(last.comment).split()) == "Motif: double attack. White wins a rook and a pawn."
    assert len(game.variations) == 2  # the mistake, and what was better
    assert mate.end().board().is_checkmate()


def test_a_record() -> None:
    """All good answers are best moves; what was found in the game is told as such."""
    row = queen_raid() | {"answers": ["h5e5", "g1f3"]}

    [record] = moments_epd(moments(row)).decode().splitlines()

    board, told = chess.Board.from_epd(record)
    assert board.fullmove_number == 1  # EPD tells no number
    assert " bm Nf3 Qxe5+; " in record
    assert told["id"] == "1. double attack"
    assert told["c0"] == "2...g6?? by players rated below 1000"
    assert told["c1"] == "In the game 3.Qxe5+ followed, which punishes it."
    assert told["pv"] == [chess.Move.from_uci(uci) for uci in row["pv_reply"][1:]]
