"""How far a refutation is forcing: checks, captures, promotions, threats, and threats answered."""

from __future__ import annotations

import chess

from miner.board.settle import MATED, material_balance, settled_balance
from miner.explain.evidence import Evidence

_LONGEST = 13  # plies: the reply and six moves of each side
_QUIET_MOVES = 1


def forcing_plies(evidence: Evidence) -> int:
    """Moves of the reply's line, the reply included, up to the last that the opponent forces.

    One quiet move may stand among the forcing ones, for that is how a trap is closed; the part ends with the
    answer to a forcing move, or with the line, and is 1 if nothing is forced. It is at most `_LONGEST` long:
    far down a line almost every move threatens something.
    """
    board = evidence.after_reply(1)
    line = evidence.reply_line[:_LONGEST]
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
    answers_a_threat = threatens(board)
    board.push(move)
    forcing = answers_a_threat or threatens(board)
    board.pop()
    return forcing


def threatens(board: chess.Board) -> bool:
    """Whether the side that has just moved would win material or give mate, could it move again."""
    return threat_gain(board) >= 1


def threat_gain(board: chess.Board) -> int:
    """Pawns that the side that has just moved would win by moving again; `MATED` for mate in one.

    0 where it gives check: there the answer is forced without any threat.
    """
    if board.is_check():
        return 0
    board = board.copy(stack=False)
    board.push(chess.Move.null())
    if mates_in_one(board):
        return MATED
    return settled_balance(board, board.turn) - material_balance(board, board.turn)


def mates_in_one(board: chess.Board) -> chess.Move | None:
    """A move that gives mate at once, if there is one."""
    for move in board.generate_legal_moves():
        if board.gives_check(move):
            board.push(move)
            mate = board.is_checkmate()
            board.pop()
            if mate:
                return move
    return None
