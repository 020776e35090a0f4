"""Mistakes of single games as annotated games and as positions for engines and test suites."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

import chess.pgn

from miner.board.moves import parse_san_line
from miner.export.epd import string_operand
from miner.export.pgn import NAGS, add_best, add_line, add_opening_tags, end_line, games_bytes, tag_value
from miner.finding.moment import Moment
from miner.finding.motif_words import played_sentence, wins_sentence
from miner.finding.words import band_words, capital, cost_sentence, joined, numbered_sans, reason_sentence


def moments_pgn(moments: Iterable[Moment]) -> bytes:
    """One game per moment, which begins with the position before the mistake (tags SetUp and FEN).

    The main line is the mistake ($2, or $4 where it loses much), with its motif and what it costs, and its
    punishment as far as that shows the gain. Variations are the other good answers, what was played if that
    is none, and the best move. As for findings otherwise; nobody's name is in it.
    """
    return games_bytes(_game(moment, number) for number, moment in enumerate(moments, start=1))


def _game(moment: Moment, number: int) -> chess.pgn.Game:
    game = chess.pgn.Game()
    game.headers["Event"] = tag_value(f"Motif: {moment.motif}")
    game.headers["Round"] = str(number)
    add_opening_tags(game, moment)
    game.setup(moment.board)
    game.headers["SetUp"], game.headers["FEN"] = "1", moment.fen
    reply = add_line(game, [moment.losing_reply])
    reply.nags.add(NAGS[moment.sign])
    whom = f"{capital(band_words(moment.band))} erred, {band_words(moment.band_other)} could punish it."
    reply.comment = joined(whom, cost_sentence(moment))
    last = add_line(reply, moment.refutation)
    gained = wins_sentence(moment) or reason_sentence(moment)
    end_line(last, moment, moment.cp_reply, joined(f"Motif: {moment.motif}.", gained))
    for san in moment.answers:
        if san not in moment.refutation[:1]:
            add_line(reply, [san]).comment = "Good as well."
    if moment.played and not moment.found:
        add_line(reply, [moment.played]).comment = "This was played."
    add_best(game, moment)
    return game


def moments_epd(moments: Iterable[Moment]) -> bytes:
    """One record per moment, of the position after the mistake; UTF-8, LF.

    `bm` are all good answers; `id` number and motif; `c0` the mistake and who made it, `c1` what was played,
    `c2` what was better; `pv` the punishment.
    """
    return "".join(_record(moment, number) + "\n" for number, moment in enumerate(moments, start=1)).encode()


def _record(moment: Moment, number: int) -> str:
    board = moment.board_after
    mistake = numbered_sans([moment.losing_reply + moment.sign], moment.ply)
    return board.epd(
        bm=parse_each(board, moment.answers),
        c0=string_operand(f"{mistake} by {band_words(moment.band)}"),
        c1=string_operand(played_sentence(moment)),
        c2=string_operand(numbered_sans([moment.best_move], moment.ply)),
        id=string_operand(f"{number}. {moment.motif}"),
        pv=parse_san_line(board, moment.refutation),
    )


def parse_each(board: chess.Board, sans: Sequence[str]) -> list[chess.Move]:
    """Alternative moves on one board."""
    return [board.parse_san(san) for san in sans]


MOMENT_FORMATS: Mapping[str, Callable[[Iterable[Moment]], bytes]] = {
    ".pgn": moments_pgn,
    ".epd": moments_epd,
}
"""How a file's contents are made from moments, by the file's suffix."""
