"""Evidence from moves as they are printed in books."""

from __future__ import annotations

import random
from dataclasses import replace

import chess
from hypothesis import strategies as st

from miner.board.moves import after
from miner.explain.evidence import Evidence
from miner.terms import Score, Side


def evidence(
    moves: str,
    *,
    reply: str,
    best: str,
    best_cp: int = 0,
    best_mate: int | None = None,
    reply_cp: int = -150,
    reply_mate: int | None = None,
    retreat: str = "",
    retreat_loss: float | None = None,
    defences: tuple[str, ...] = (),
    answers: str = "",
) -> Evidence:
    """Evidence after `moves` from the start position, or in the position of a FEN."""
    board = board_of(moves)
    side = Side.of(board.turn)
    reply_line = san_line(board, reply)
    punished = board.copy()
    for move in reply_line[:2]:
        punished.push(move)
    return Evidence(
        board=board,
        best_line=san_line(board, best),
        reply_line=reply_line,
        best=score(side, best_cp, best_mate),
        reply=score(side, reply_cp, reply_mate),
        retreat=punished.parse_san(retreat) if retreat else None,
        retreat_loss=retreat_loss,
        defences=tuple(san_line(board, line) for line in defences),
        answers=tuple(map(after(board, reply_line[:1]).parse_san, answers.split())),
    )


def board_of(moves: str) -> chess.Board:
    """The board after SAN moves from the start position, or of a FEN."""
    if "/" in moves:
        return chess.Board(moves)
    board = chess.Board()
    for san in moves.split():
        board.push_san(san)
    return board


def san_line(board: chess.Board, line: str) -> tuple[chess.Move, ...]:
    """The moves of a line in SAN."""
    board = board.copy()
    return tuple(board.push_san(san) for san in line.split())


def score(side: Side, cp: int, mate: int | None = None) -> Score:
    """A score in centipawns unless it is mate."""
    return Score(side, cp=cp) if mate is None else Score(side, mate=mate)


def random_board(seed: int, plies: int) -> chess.Board:
    """A board after random legal moves from the start position."""
    chance = random.Random(seed)
    board = chess.Board()
    for _ in range(plies):
        moves = list(board.legal_moves)
        if not moves:
            break
        board.push(chance.choice(moves))
    return board


def random_line(board: chess.Board, seed: int, plies: int) -> tuple[chess.Move, ...]:
    """Random legal moves from `board`; captures and checks come up more often than by chance."""
    chance = random.Random(seed)
    board = board.copy(stack=False)
    line: list[chess.Move] = []
    while len(line) < plies and (moves := list(board.legal_moves)):
        sharp = [move for move in moves if board.is_capture(move) or board.gives_check(move)]
        line.append(chance.choice(sharp if sharp and chance.random() < 0.5 else moves))
        board.push(line[-1])
    return tuple(line)


@st.composite
def random_lines(draw: st.DrawFn) -> Evidence:
    """Evidence of random legal lines from a random position, with scores that need not fit them."""
    seeds = st.integers(0, 1_000_000)
    board = random_board(draw(seeds), draw(st.integers(0, 40)))
    if not any(board.legal_moves):
        board = chess.Board()
    side = Side.of(board.turn)
    scores = st.one_of(
        st.builds(Score, st.just(side), cp=st.integers(-900, 900)),
        st.builds(Score, st.just(side), mate=st.sampled_from([-5, -1, 1, 3])),
    )
    return Evidence(
        board=board,
        best_line=random_line(board, draw(seeds), draw(st.integers(1, 12))),
        reply_line=random_line(board, draw(seeds), draw(st.integers(1, 16))),
        best=draw(scores),
        reply=draw(scores),
    )


def mirrored(lines: Evidence) -> Evidence:
    """The same evidence with White and Black exchanged."""
    return replace(
        lines,
        board=lines.board.mirror(),
        best_line=tuple(map(_mirrored_move, lines.best_line)),
        reply_line=tuple(map(_mirrored_move, lines.reply_line)),
        defences=tuple(tuple(map(_mirrored_move, line)) for line in lines.defences),
        answers=tuple(map(_mirrored_move, lines.answers)),
        best=replace(lines.best, side=lines.best.side.other),
        reply=replace(lines.reply, side=lines.reply.side.other),
    )


def _mirrored_move(move: chess.Move) -> chess.Move:
    return chess.Move(
        chess.square_mirror(move.from_square), chess.square_mirror(move.to_square), move.promotion
    )
