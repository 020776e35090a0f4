"""A model game as it is told: moves, comments and stops in turn, for the terminal and for paper."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import chess.pgn

from miner.finding.words import agreeing, joined, numbered_sans, opening_words
from miner.game.notes import Told
from miner.game.phrases import comment
from miner.game.stops import Stop, asked_at
from miner.lesson.backing import ModelGame
from miner.lesson.phrases import Tongue

SIGNS = {
    chess.pgn.NAG_GOOD_MOVE: "!",
    chess.pgn.NAG_MISTAKE: "?",
    chess.pgn.NAG_BRILLIANT_MOVE: "!!",
    chess.pgn.NAG_BLUNDER: "??",
    chess.pgn.NAG_SPECULATIVE_MOVE: "!?",
    chess.pgn.NAG_DUBIOUS_MOVE: "?!",
}


@dataclass(frozen=True, slots=True)
class Part:
    """A piece of the story: moves of the game, then what is said of the last of them, then a question."""

    moves: str
    said: str = ""
    stop: Stop | None = None


def title(told: Told) -> str:
    """What the game is about, e.g. `Model game 12: Italian Game`."""
    return f"Model game {name(told)}"


def name(told: Told) -> str:
    """The game's number, and its opening where it is known."""
    game = told.seen.game
    return f"{game.number}: {opening_words(game.finding)}" if game.finding else str(game.number)


def whom(told: Told) -> str:
    """Which game it is, without names."""
    game = told.seen.game
    return ModelGame(
        sans=(),
        reply_ply=game.reply_ply,
        moments=frozenset(),
        result=game.result,
        date=game.date,
        winner_rating=game.winner_rating,
        loser_rating=game.loser_rating,
    ).words()


def introduction(told: Told) -> str:
    """What is shown, why the game was chosen, and where the stops are."""
    game = told.seen.game
    sans = told.sans[game.reply_ply : game.answer_ply]
    shown = comment("shown", move=numbered_sans(sans, game.reply_ply))
    return joined(shown, told.why_chosen, stops_sentence(told))


def stops_sentence(told: Told) -> str:
    """How many stops there are, and before which moves."""
    if not told.stops:
        return comment("no_stops")
    *first, last = (str(stop.ply // 2 + 1) for stop in told.stops)
    moves = f"moves {', '.join(first)} and {last}" if first else f"move {last}"
    return comment("stops", count=_counted(len(told.stops)), moves=moves)


def _counted(number: int) -> str:
    return f"{['No', 'One', 'Two', 'Three', 'Four', 'Five'][number]} {agreeing(number, 'stop', 'stops')}"


def story(told: Told, tongue: Tongue) -> list[Part]:
    """The game in parts, each as long as nothing is said; the last ends with the result."""
    return [Part(tongue.moves(part.moves), tongue.moves(part.said), part.stop) for part in _parts(told)]


def _parts(told: Told) -> Iterator[Part]:
    stops, sans, begin = asked_at(told.stops), told.sans, 0
    for ply in range(len(sans)):
        said, stop = said_of(told, ply), stops.get(ply + 1)
        is_last = ply == len(sans) - 1
        if said or stop or is_last:
            printed = [san + sign_of(told, at) for at, san in enumerate(sans[begin : ply + 1], begin)]
            result = f" {told.seen.game.result}" if is_last else ""
            yield Part(numbered_sans(printed, begin) + result, said, stop)
            begin = ply + 1


def said_of(told: Told, ply: int) -> str:
    """What is said of a move, with the lines in full."""
    note = told.notes.get(ply)
    return " ".join(sentence.words() for sentence in note.sentences) if note else ""


def sign_of(told: Told, ply: int) -> str:
    """The sign of a move, such as `!?`, if it has one."""
    note = told.notes.get(ply)
    return SIGNS.get(note.nag, "") if note else ""
