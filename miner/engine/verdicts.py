"""The requests to an engine and its answers, as values."""

from __future__ import annotations

from dataclasses import dataclass

import chess

from miner.board.moves import after, parse_uci_line
from miner.terms import MATE_SCORE_CP, MOST_CP, Score, Side

FULL_BUDGET = 0.5
"""Share of its nodes below which a search counts as broken off; engines may stop a little early."""
DEEP_ENOUGH = 100
"""Depth from which an engine may stop before its nodes are used up: it has seen all there is."""
MOST = 2**63 - 1
"""Nodes and depth that tables can hold."""


@dataclass(frozen=True, slots=True)
class Request:
    """One search: a position, the moves to which its root is restricted (none: all), and the nodes."""

    fen: str  # as `search_fen` writes it
    nodes: int
    searchmoves: tuple[str, ...] = ()  # UCI, sorted

    @classmethod
    def of(cls, board: chess.Board, nodes: int, searchmoves: tuple[chess.Move, ...] = ()) -> Request:
        """The request for a board."""
        return cls(search_fen(board), nodes, tuple(sorted(move.uci() for move in searchmoves)))


@dataclass(frozen=True, slots=True)
class Verdict:
    """The outcome of one search; score, win/draw/loss and line are those of the side to move."""

    score: Score
    pv: tuple[str, ...]  # UCI; begins with the best move
    nodes: int  # searched
    depth: int
    wdl: tuple[int, ...] = ()  # win, draw, loss per mille, for the side to move; empty: the engine has none
    seconds: float = 0.0

    @property
    def move(self) -> str:
        """The best of the moves asked for, UCI."""
        return self.pv[0]


@dataclass(frozen=True, slots=True)
class Failure:
    """The reason why there is no verdict."""

    reason: str


Answer = Verdict | Failure


class FalseClaim(Exception):
    """An engine says what can be seen not to be so."""


def search_fen(board: chess.Board) -> str:
    """The FEN a position is searched by: en passant only if legal, and the counters of a new game.

    Two ways to one position are one search.

    >>> search_fen(chess.Board("rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq e3 4 9"))
    'rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq - 0 1'
    """
    return f"{board.epd(en_passant='legal')} 0 1"


def nonsense_in(request: Request, verdict: Verdict, best_move: str) -> str | None:
    """The flaw of an answer that no sound engine would give; None: it has none."""
    board = chess.Board(request.fen)
    try:
        line = parse_uci_line(board, verdict.pv)
        parse_uci_line(board, [best_move])
    except ValueError as error:
        return str(error)
    if not line:
        return "the line is empty"
    if not all(line):
        return "a null move cannot be played"
    if request.searchmoves and line[0].uci() not in request.searchmoves:
        return f"{line[0].uci()} is none of the moves that were asked for"
    score, nodes, depth = verdict.score, verdict.nodes, verdict.depth
    mate_in = abs(score.mate or 0)
    if mate_in >= MATE_SCORE_CP - MOST_CP or not (0 <= nodes <= MOST and 0 <= depth <= MOST):
        return f"mate in {mate_in}, {nodes} nodes or depth {depth} cannot be"
    may_stop = score.mate is not None or depth >= DEEP_ENOUGH
    if nodes < FULL_BUDGET * request.nodes and not may_stop and board.legal_moves.count() > 1:
        return f"the search ended after {nodes:,} of {request.nodes:,} nodes"
    return None


def line_end(request: Request, verdict: Verdict) -> chess.Board:
    """The position at the end of a verdict's line, which must be legal."""
    board = chess.Board(request.fen)
    return after(board, parse_uci_line(board, verdict.pv))


def shows_mate(request: Request, verdict: Verdict) -> bool:
    """Whether the line of a verdict on a mate ends in that mate; False: it ends before, and nobody knows.

    Raises FalseClaim if the line shows that there is no such mate: it is as long, or the game ends otherwise.
    """
    mate, end = verdict.score.mate, line_end(request, verdict)
    assert mate is not None
    plies = 2 * mate - 1 if mate > 0 else -2 * mate
    is_mated = end.is_checkmate() and Side.of(not end.turn) is verdict.score.winner
    if len(verdict.pv) > plies or (not is_mated and (len(verdict.pv) == plies or end.is_game_over())):
        raise FalseClaim(f"mate in {abs(mate)} is not what the line {' '.join(verdict.pv)} ends in")
    return is_mated


def mover(request: Request) -> Side:
    """The side to move, whose point of view the verdict takes."""
    return Side.WHITE if " w " in request.fen else Side.BLACK
