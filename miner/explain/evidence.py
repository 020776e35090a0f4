"""The evidence for an explanation: a board, the engine's lines, how forcing they are, pieces in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import chess

from miner.board.checks import checks_of
from miner.board.moves import after
from miner.board.settle import MATED, material_balance, settled_balance
from miner.terms import Score

AS_GOOD_CP = 30
"""Centipawns by which another defence may be worse than the best and is still as good as it."""
DEFENCE_TURNS = 3
"""Moves of the side that errs, after the losing reply, to which other defences are looked for."""
LONGEST = 13
"""Plies of a line that are looked at and shown: the reply and six moves of each side."""

_QUIET_MOVES = 1

_NUMBERS = {1: "a", 2: "two", 3: "three", 4: "four", 5: "five", 6: "six", 7: "seven", 8: "eight"}
_ORDER = (chess.QUEEN, chess.ROOK, chess.BISHOP, chess.KNIGHT, chess.PAWN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """A losing reply as the engine sees it. All moves are legal where they stand; no line is empty."""

    board: chess.Board  # before the losing reply: the side to move is the side that errs
    best_line: tuple[chess.Move, ...]  # begins with the best move
    reply_line: tuple[chess.Move, ...]  # begins with the losing reply; then its refutation
    best: Score  # of the best move, for the side that errs
    reply: Score  # of the losing reply, for the side that errs
    retreat: chess.Move | None = None  # third move of a line in which the engine forced a piece home
    retreat_loss: float | None = None  # expected score lost by every move that takes no piece home
    defences: tuple[tuple[chess.Move, ...], ...] = ()  # as `reply_line`, with defences as good as its own
    answers: tuple[chess.Move, ...] = ()  # punishing moves, the best first; none: only the line's is known
    knows_defences: bool = True  # False: they were looked for after another answer than the line's

    def __post_init__(self) -> None:
        assert self.best_line, "the best line begins with the best move"
        assert self.reply_line, "the reply's line begins with the reply"

    @property
    def errs(self) -> chess.Color:
        """The side that makes the losing reply."""
        return self.board.turn

    @property
    def reply_lines(self) -> tuple[tuple[chess.Move, ...], ...]:
        """The reply's line and those with other defences: what is said of the reply must hold in each."""
        return (self.reply_line, *self.defences)

    def along(self, line: tuple[chess.Move, ...]) -> Evidence:
        """The same evidence with one of `reply_lines` alone."""
        return replace(self, reply_line=line, defences=())

    def after_reply(self, plies: int) -> chess.Board:
        """The board after so many moves of the reply's line, the reply being the first."""
        return after(self.board, self.reply_line[:plies])


def forcing_plies(evidence: Evidence) -> int:
    """Moves of the reply's line, the reply included, up to the last that the opponent forces.

    One quiet move may stand among the forcing ones, for that is how a trap is closed; the part ends with the
    answer to a forcing move, or with the line, and is 1 if nothing is forced. It is at most `LONGEST` long:
    far down a line almost every move threatens something.
    """
    board = evidence.after_reply(1)
    line = evidence.reply_line[:LONGEST]
    quiet, forced = 0, 1
    for plies in range(1, len(line), 2):
        if _keeps_the_initiative(board, line[plies]):
            forced = min(plies + 2, len(line))
        else:
            quiet += 1
        if quiet > _QUIET_MOVES:
            break
        for move in line[plies : plies + 2]:
            board.push(move)
    return forced


def _keeps_the_initiative(board: chess.Board, move: chess.Move) -> bool:
    if board.is_capture(move) or move.promotion or board.gives_check(move):
        return True
    return threatens(board) or threatens(after(board, (move,)))


def threatens(board: chess.Board) -> bool:
    """Whether the side that has just moved would win material or give mate, could it move again."""
    return threat_gain(board) >= 1


def threat_gain(board: chess.Board) -> int:
    """Pawns that the side that has just moved would win by moving again; `MATED` for mate in one.

    0 where it gives check: there the answer is forced without any threat.
    """
    if board.is_check():
        return 0
    board = after(board, (chess.Move.null(),))
    if mates_in_one(board):
        return MATED
    return settled_balance(board, board.turn) - material_balance(board, board.turn)


def mates_in_one(board: chess.Board) -> chess.Move | None:
    """A move that gives mate at once, if there is one."""
    given = set(checks_of(board))
    # In the order of all legal moves, so that of several mates always the same is told.
    for move in board.generate_legal_moves() if given else ():
        if move in given and after(board, (move,)).is_checkmate():
            return move
    return None


def rank_of(square: chess.Square, color: chess.Color) -> int:
    """The rank of a square as counted from a side's own back rank, which is 0."""
    return chess.square_rank(square if color == chess.WHITE else chess.square_mirror(square))


def exchange(net: Mapping[chess.PieceType, int]) -> str:
    """The gains and losses of one side in words: positive counts are gained, negative ones given.

    >>> exchange({chess.ROOK: 1, chess.KNIGHT: -1})
    'a rook for a knight'
    """
    gained = pieces(net)
    given = pieces({kind: -count for kind, count in net.items()})
    return f"{gained} for {given}" if given else gained


def pieces(counts: Mapping[chess.PieceType, int]) -> str:
    """Counted pieces in words, the most valuable first; those of which there are none or fewer are left out.

    >>> pieces({chess.PAWN: 2, chess.ROOK: 1})
    'a rook and two pawns'
    """
    words = [
        f"{_NUMBERS.get(count, count)} {chess.piece_name(kind)}{'s' if count > 1 else ''}"
        for kind in _ORDER
        if (count := counts.get(kind, 0)) > 0
    ]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
