"""What our move takes away: replies that are popular and sound after another move of ours, and lose here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import chess
import chess.polyglot

from miner.board.moves import unpack_move
from miner.steer.advice import Advice, TakenAway
from miner.steer.searches import Ask, Looked, Question
from miner.steer.tree import OurPosition, engine_expected


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A reply that is popular after another move and legal after the recommended one."""

    key: int
    move: int
    here: int  # the position after the recommended move
    reply: int
    sister: int
    there: int
    rate_there: float
    rate_here: float


def taken_away(advice: Advice, ask: Ask) -> tuple[TakenAway, ...]:
    """The replies that the recommended moves take away, what is felt most often first.

    Replies are matched by their squares. A reply that only overlooks a threat is none: it must be clearly
    worse than to pass. Told is the move of ours after which a reply is most popular among those after which
    it is sound.
    """
    candidates = [
        one
        for key in advice.reach
        if isinstance(advice.tree.get(key), OurPosition)
        for one in _candidates(advice, key)
    ]
    looked = _look(advice, ((one.here, one.reply) for one in candidates), ask)
    losing = [
        (one, loss)
        for one in candidates
        if (loss := _loss(looked.get(one.here), one.reply)) is not None and loss >= advice.settings.losing
    ]
    passed = _passed(advice, looked, {one.here for one, _ in losing}, ask)
    losing = [
        (one, loss) for one, loss in losing if loss >= passed.get(one.here, 1.0) + advice.settings.losing / 2
    ]
    looked = _look(advice, ((one.there, one.reply) for one, _ in losing), ask)
    found: dict[tuple[int, int], TakenAway] = {}
    for one, loss_here in losing:
        loss_there = _loss(looked.get(one.there), one.reply)
        if loss_there is None or loss_there >= advice.settings.losing / 2:
            continue
        known = found.get((one.key, one.reply))
        if known is None or one.rate_there > known.rate_there:
            found[one.key, one.reply] = TakenAway(
                one.key,
                one.move,
                one.reply,
                one.sister,
                one.rate_there,
                one.rate_here,
                loss_there,
                loss_here,
            )
    felt = {step: advice.reach[one.key] * one.rate_there * one.loss_here for step, one in found.items()}
    return tuple(found[step] for step in sorted(found, key=lambda step: (-felt[step], step)))


def _candidates(advice: Advice, key: int) -> list[_Candidate]:
    tallied, settings = advice.tallied, advice.settings
    board = chess.Board(tallied.places[key].fen)
    move = advice.valued.chosen[key]
    here = tallied.child(board, unpack_move(move))
    if here is None:
        return []
    board_here = chess.Board(tallied.places[here].fen)
    rates_here = {one.move: one.rate for one in tallied.answers(here)}
    return [
        _Candidate(
            key, move, here, reply.move, sister.move, there, reply.rate, rates_here.get(reply.move, 0.0)
        )
        for sister in tallied.played[key]
        if sister.move != move and sister.games >= settings.min_games
        if (there := tallied.child(board, unpack_move(sister.move))) is not None
        for reply in tallied.answers(there)
        if reply.rate >= settings.popular and reply.games_band >= settings.min_games
        if board_here.is_legal(unpack_move(reply.move))
    ]


def _look(advice: Advice, steps: Iterable[tuple[int, int]], ask: Ask) -> dict[int, Looked]:
    """What the engine says of replies, by position."""
    wanted: dict[int, set[int]] = {}
    for key, move in steps:
        wanted.setdefault(key, set()).add(move)
    questions = [
        Question(key, advice.tallied.places[key].fen, tuple(sorted(moves))) for key, moves in wanted.items()
    ]
    answers = zip(questions, ask(questions), strict=True) if questions else ()
    return {question.key: looked for question, looked in answers if looked is not None}


def _passed(advice: Advice, looked: dict[int, Looked], keys: set[int], ask: Ask) -> dict[int, float]:
    """What it costs the opponent to pass, by position; not for those in which they are in check."""
    questions, places = [], []
    for key in sorted(keys):
        board = chess.Board(advice.tallied.places[key].fen)
        if not board.is_check():
            board.push(chess.Move.null())
            questions.append(Question(chess.polyglot.zobrist_hash(board), board.fen()))
            places.append(key)
    answers = ask(questions) if questions else []
    return {
        key: engine_expected(looked[key].cp_best) - engine_expected(-after.cp_best)
        for key, after in zip(places, answers, strict=True)
        if after is not None
    }


def _loss(looked: Looked | None, move: int) -> float | None:
    if looked is None or move not in looked.cp:
        return None
    return max(0.0, engine_expected(looked.cp_best) - engine_expected(looked.cp[move]))
