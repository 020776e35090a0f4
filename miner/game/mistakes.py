"""What one side gave away in a model game, as a mistake that can be explained like any other."""

from __future__ import annotations

from dataclasses import dataclass

import chess
import chess.polyglot

from miner.board.moves import after, parse_uci_line, sans_of
from miner.explain.evidence import Evidence
from miner.explain.explanation import explain
from miner.finding.mistake import Mistake
from miner.follow.models import TURN
from miner.game.inquiry import Seen, Turn
from miner.reasons import Pattern, Reason
from miner.settings import RankSettings
from miner.terms import Kind, Side

_LEFT = RankSettings().mistake_score


@dataclass(frozen=True, kw_only=True, slots=True)
class GameMistake(Mistake):
    """A move of a model game that gave a good deal away; lines are SAN."""

    fen: str
    key: int
    ply: int
    side: Side
    losing_reply: str
    losing_reply_uci: str
    best_move: str
    best_line: tuple[str, ...]
    refutation: tuple[str, ...]
    loss: float
    exp_best: float
    exp_reply: float
    cp_best: int
    cp_reply: int
    reason: Reason
    reason_detail: str
    pattern: Pattern | None
    strikes_at_once: bool  # whether the first move of the refutation has the pattern
    # What only findings have: of the class, no columns.
    kind = Kind.TRAP
    band = ""
    path = ()
    eco = opening = ""
    answers = ()
    usual_line = ()
    usual_games = usual_of = 0
    gambit = False

    @property
    def what(self) -> str:
        """What it is called."""
        return "Mistake" if self.is_punishable else "Missed chance"

    @property
    def is_punishable(self) -> bool:
        """Whether its player stands clearly worse after it; else it is a chance that was missed."""
        return self.exp_reply <= _LEFT or self.reason is Reason.MATE


def mistakes_of(seen: Seen) -> dict[int, GameMistake]:
    """The moves that gave away enough to be explained, by ply."""
    return {
        ply: mistake_of(seen.boards[ply], seen.game.moves[ply], ply, turn)
        for ply, turn in seen.turns.items()
        if turn.loss >= TURN
    }


def mistake_of(board: chess.Board, move: chess.Move, ply: int, turn: Turn) -> GameMistake:
    """A move that gave something away, with its reason."""
    errs = Side.of(board.turn)
    reply = turn.answer.score.for_other
    line = (move.uci(), *turn.answer.pv)
    best_line = parse_uci_line(board, turn.best.pv)
    now = after(board, (move,))
    explanation = explain(
        Evidence(
            board=board,
            best_line=best_line,
            reply_line=parse_uci_line(board, line),
            best=turn.best.score,
            reply=reply,
            defences=tuple(parse_uci_line(board, defence) for defence in turn.defences),
        )
    )
    strike = explanation.strike
    return GameMistake(
        fen=board.fen(en_passant="legal"),
        key=chess.polyglot.zobrist_hash(board),
        ply=ply,
        side=errs.other,
        losing_reply=board.san(move),
        losing_reply_uci=move.uci(),
        best_move=board.san(best_line[0]),
        best_line=sans_of(board, best_line),
        refutation=sans_of(board, (move, *explanation.refutation))[1:],
        loss=turn.loss,
        exp_best=turn.best.score.expected,
        exp_reply=turn.left,
        cp_best=turn.best.score.as_cp,
        cp_reply=reply.as_cp,
        reason=explanation.reason,
        reason_detail=explanation.detail,
        pattern=explanation.pattern,
        strikes_at_once=strike is not None and strike.before.board_fen() == now.board_fen(),
    )
