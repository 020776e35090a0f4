"""Model games as annotated PGN: signs, comments, better lines as variations, stops as questions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import chess.pgn

from miner.export.pgn import add_line, add_opening_tags, games_bytes, standing_nag, tag_value
from miner.finding.words import joined
from miner.game.notes import Note, Told
from miner.game.phrases import Sentence, stop_words
from miner.game.stops import Stop, asked_at, hint_words, question_words, to_move_words
from miner.game.story import introduction, title
from miner.lesson.backing import known_date
from miner.lesson.phrases import ENGLISH, Tongue
from miner.terms import Side

_ENGLISH = Tongue.of(ENGLISH)


def model_pgn(games: Iterable[Told]) -> bytes:
    """One game each, without the players' names: the moves with NAGs 1 to 6, comments and variations.

    The question of a stop stands in the comment before its answer. Better lines are variations that end with
    a NAG for the standing. UTF-8, LF.
    """
    return games_bytes(_game(told) for told in games)


def _game(told: Told) -> chess.pgn.Game:
    given, stops = told.seen.game, asked_at(told.stops)
    game = chess.pgn.Game()
    game.headers["Event"] = tag_value(title(told))
    game.headers["Round"] = str(given.number)
    game.headers["Result"] = given.result
    if known := known_date(given.date):
        game.headers["Date"] = ".".join([*known.split("."), "??", "??"][:3])
    white_won = given.winner is Side.WHITE
    for tag, rating in (
        ("WhiteElo", given.winner_rating if white_won else given.loser_rating),
        ("BlackElo", given.loser_rating if white_won else given.winner_rating),
    ):
        if rating:
            game.headers[tag] = str(rating)
    if given.finding is not None:
        add_opening_tags(game, given.finding)
    game.comment = joined(introduction(told), _asked(stops.get(0)))
    node: chess.pgn.GameNode = game
    points: list[tuple[chess.pgn.GameNode, Sequence[str]]] = []
    for ply, move in enumerate(given.moves):
        note = told.notes.get(ply, Note())
        parent, node = node, node.add_main_variation(move)
        if note.nag:
            node.nags.add(note.nag)
        # A line behind the last move would be read as moves of the game: it is told in full instead.
        is_last = ply == len(given.moves) - 1
        node.comment = joined(
            *(sentence.words(is_brief=_is_shown(sentence, is_last)) for sentence in note.sentences),
            _asked(stops.get(ply + 1)),
        )
        if note.better:
            _end(add_line(parent, note.better), _cp_best(told, ply))
        if note.point and not is_last:
            points.append((node, note.point))
    for after_mistake, line in points:  # behind the main line, which is there by now
        _vary(after_mistake, line)
    return game


def _is_shown(sentence: Sentence, is_last: bool) -> bool:
    """Whether its line stands there as a variation, too: behind the last move none can."""
    return sentence.name in ("better", "gives") or (sentence.name in ("point", "then") and not is_last)


def _vary(node: chess.pgn.GameNode, line: Sequence[str]) -> None:
    """Add a line behind what is there, from where it leaves that; not behind the last move of all."""
    for at, san in enumerate(line):
        if node.is_end() and node.is_mainline():
            return
        same = next((child for child in node.variations if child.san() == san), None)
        if same is None:
            add_line(node, line[at:])
            return
        node = same


def _cp_best(told: Told, ply: int) -> int | None:
    """Centipawns of the best move, from White's point of view."""
    turn, finding = told.seen.turns.get(ply), told.seen.game.finding
    if turn is not None:
        cp = turn.best.score.as_cp
    elif finding is not None and ply == told.seen.game.reply_ply:
        cp = finding.cp_best
    else:
        return None
    return cp if ply % 2 == 0 else -cp


def _end(last: chess.pgn.GameNode, cp: int | None) -> None:
    if cp is not None and not last.board().is_game_over():
        last.nags.add(standing_nag(cp))


def _asked(stop: Stop | None) -> str:
    if stop is None:
        return ""
    number = stop_words(_ENGLISH, "stop", number=stop.number)
    return joined(
        f"{number}: {to_move_words(stop, _ENGLISH)}.",
        question_words(stop, _ENGLISH),
        hint_words(stop, _ENGLISH),
    )
