"""The searches that tell which answers to a losing reply keep the gain."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import chess
import pandas as pd

from miner.board.moves import after, pack, unpack_move
from miner.engine.verdicts import Answer, Request, Verdict
from miner.settings import FollowSettings

SMALLEST_GAIN = 0.02
"""Expected score below which a gain counts as this: a mate that is missed where all is won costs no more."""

SCREEN = 0.1
"""Share of the nodes that an answer is looked at with first."""

SURE = 0.12
"""Expected score by which an answer must miss the dividing line for that first look to be enough."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Stake:
    """What a losing reply is worth to the side that profits, as the judge's deepest search had it."""

    had: float  # its expected score (0 to 1) before the reply
    has: float  # and after it
    cp: int  # after it, in centipawns
    refutation: str  # the best answer, UCI; empty: not known
    nodes: int  # the budget of that search

    @classmethod
    def of(cls, judged: Any) -> Stake:
        """The stake of a row of `judged`, as a named tuple."""
        return cls(
            had=1.0 - judged.exp_best,
            has=1.0 - judged.exp_reply,
            cp=-int(judged.cp_reply),
            refutation=judged.pv_reply[1] if len(judged.pv_reply) > 1 else "",
            nodes=int(judged.nodes),
        )

    def kept(self, expected: float) -> float:
        """Share of the gain that is left to who now expects this much: 1 all of it, 0 or less nothing.

        (expected - had) / (has - had), but counted from the full gain down, so that a gain too small to be
        told from the engine's noise is not divided by.

        >>> round(Stake(had=0.5, has=0.75, cp=190, refutation="", nodes=1).kept(0.7), 2)
        0.8
        """
        return 1.0 - (self.has - expected) / max(self.has - self.had, SMALLEST_GAIN)


@dataclass(frozen=True, kw_only=True, slots=True)
class Opinion:
    """What an answer is worth to the side that profits; nodes 0: it was not asked or not to be had."""

    cp: int | None = None
    expected: float | None = None
    kept: float | None = None
    nodes: int = 0


@dataclass(slots=True, eq=False)
class Asked:
    """The opinions of a position's answers, and its best move, by packed move."""

    best: chess.Move | None = None
    opinions: dict[int, Opinion] = field(default_factory=dict)
    failure: str = ""

    @property
    def best_opinion(self) -> Opinion:
        """That of the best move; an empty one if there is none."""
        return self.opinions[pack(self.best)] if self.best else Opinion()


Questions = Generator[list[Request], list[Answer], Asked]


def ask_first(
    board: chess.Board, answers: Sequence[int], stake: Stake, settings: FollowSettings
) -> Questions:
    """The inquiry about the position right after a losing reply.

    The judge's refutation keeps all of the gain, for its search was deeper. Where this search agrees with it
    on the best move, all others are measured from there, so that other budgets are no mistake of theirs.
    """
    [best] = yield [Request.of(board, settings.nodes)]
    if not isinstance(best, Verdict):
        return Asked(failure=best.reason)
    refutation = stake.refutation or best.move
    agrees = best.move == refutation
    shift = stake.has - best.score.expected if agrees else 0.0
    asked = Asked(best=chess.Move.from_uci(refutation))
    known = {refutation: best} if agrees else {best.move: best}
    opinions = yield from _ask(board, answers, stake, settings, known, shift)
    if not agrees:
        opinions[pack(chess.Move.from_uci(refutation))] = Opinion(
            cp=stake.cp, expected=stake.has, kept=1.0, nodes=stake.nodes
        )
    asked.opinions = opinions
    asked.failure = _failure(opinions, answers)
    return asked


def ask_later(
    board: chess.Board, answers: Sequence[int], stake: Stake, settings: FollowSettings
) -> Questions:
    """The inquiry about a later position, the side that profits to move."""
    [best] = yield [Request.of(board, settings.nodes)]
    if not isinstance(best, Verdict):
        return Asked(failure=best.reason)
    opinions = yield from _ask(board, answers, stake, settings, {best.move: best}, 0.0)
    return Asked(chess.Move.from_uci(best.move), opinions, _failure(opinions, answers))


def _ask(
    board: chess.Board,
    answers: Sequence[int],
    stake: Stake,
    settings: FollowSettings,
    known: dict[str, Verdict],
    shift: float,
) -> Generator[list[Request], list[Answer], dict[int, Opinion]]:
    """Opinions of the answers and of what is known; the first look is enough where it leaves no doubt."""
    found = {
        pack(chess.Move.from_uci(uci)): _opinion(verdict, stake, settings.nodes, shift)
        for uci, verdict in known.items()
    }
    screen = max(1, round(SCREEN * settings.nodes))
    to_ask = [packed for packed in answers if packed not in found]
    for nodes in sorted({screen, settings.nodes}):
        if not to_ask:
            break
        heard = yield [Request.of(board, nodes, (unpack_move(packed),)) for packed in to_ask]
        for packed, verdict in zip(list(to_ask), heard, strict=True):
            if not isinstance(verdict, Verdict):
                found[packed] = Opinion()
                to_ask.remove(packed)
                continue
            found[packed] = _opinion(verdict, stake, nodes, shift)
            if nodes < settings.nodes and _is_sure(verdict.score.expected + shift, stake, settings):
                to_ask.remove(packed)
    return found


def _opinion(verdict: Verdict, stake: Stake, nodes: int, shift: float) -> Opinion:
    expected = verdict.score.expected
    return Opinion(cp=verdict.score.as_cp, expected=expected, kept=stake.kept(expected + shift), nodes=nodes)


def _is_sure(expected: float, stake: Stake, settings: FollowSettings) -> bool:
    line = stake.had + settings.kept * (stake.has - stake.had)
    return abs(expected - line) >= SURE


def _failure(opinions: dict[int, Opinion], answers: Sequence[int]) -> str:
    failed = sum(opinions[packed].nodes == 0 for packed in answers)
    return f"{failed} answers could not be judged" if failed else ""


@dataclass(frozen=True, kw_only=True, slots=True)
class LosingReply:
    """A losing reply and what it is worth."""

    key: int  # of the position before it
    move: int  # packed
    fen: str  # before it
    stake: Stake

    @property
    def board_after(self) -> chess.Board:
        """The board after the reply: the side that profits is to move."""
        return after(chess.Board(self.fen), [unpack_move(self.move)])


def losing_replies(judged: pd.DataFrame) -> Iterator[LosingReply]:
    """The rows of `judged` as values, in their order; all must be judged."""
    row: Any
    for row in judged.itertuples(index=False):
        yield LosingReply(key=int(row.key), move=int(row.move), fen=str(row.fen), stake=Stake.of(row))
