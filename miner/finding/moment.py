"""A mistake of one game as a typed value, and from when on its line shows what it gains."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import chess
import pandas as pd

from miner.board.moves import after, parse_uci_line, sans_of
from miner.board.settle import VALUES, material_balance, settled_balance
from miner.finding.mistake import Mistake
from miner.reasons import Reason
from miner.terms import Kind, Side

LINE_PLIES = 9
"""Half-moves of a punishment that are told, from the answer on."""


@dataclass(frozen=True, kw_only=True, slots=True, repr=False)
class Moment(Mistake):
    """A row of MOMENTS, which says what each field is and in which unit; moves are SAN, but for `_uci`.

    Of its own it has `side`, which may punish, `best_line` and `refutation`, the lines of the row as they are
    told, and `shown`.
    """

    game: int
    fen: str
    key: int
    ply: int
    side: Side
    band: str
    band_other: str
    player: int
    player_other: int
    losing_reply: str
    losing_reply_uci: str
    best_move: str
    best_line: tuple[str, ...]
    refutation: tuple[str, ...]
    shown: int  # plies of the refutation until the gain is on the board; 0: the line does not show it
    answers: tuple[str, ...]
    kept: tuple[float, ...]
    loss: float
    exp_best: float
    exp_reply: float
    cp_best: int
    cp_reply: int
    reason: Reason
    reason_detail: str
    motif: str
    pattern: str
    piece: str
    square: str
    wins: str
    opening: str
    by: str
    played: str  # the answer in the game; empty: it is not known
    found: bool | None
    found_best: bool | None
    chance: float | None
    nodes: int
    # What only findings have: of the class, no columns.
    kind = Kind.TRAP
    path = ()
    eco = ""
    usual_line = ()
    usual_games = usual_of = 0
    gambit = False

    @property
    def is_at_once(self) -> bool:
        """Whether the first answer is the motif's blow itself."""
        now = self.board_after
        blow = now.parse_san(self.refutation[0]) if self.refutation else None
        return blow is not None and strikes_by(now, blow, self.piece, self.square)

    @property
    def what(self) -> str:
        """What it is called, at the beginning of a title; the motif itself would give the solution away."""
        return "Punish"


def moment_of(row: Mapping[str, Any]) -> Moment:
    """A row of MOMENTS as a value."""
    board = chess.Board(row["fen"])
    reply, *line = parse_uci_line(board, row["pv_reply"])
    now = after(board, (reply,))
    shown = gain_shown(board, reply, line, row)
    best_line = parse_uci_line(board, row["pv_best"])
    return Moment(
        side=Side.of(not board.turn),
        best_move=board.san(board.parse_uci(row["best_move"])),
        best_line=sans_of(board, best_line),
        refutation=sans_of(now, line[: shown or LINE_PLIES]),
        shown=shown,
        answers=tuple(now.san(now.parse_uci(uci)) for uci in row["answers"]),
        kept=tuple(map(float, row["kept"])),
        reason=Reason(row["reason"]),
        played=now.san(now.parse_uci(row["played"])) if row["played"] else "",
        found=None if row["found"] is None else bool(row["found"]),
        found_best=None if row["found_best"] is None else bool(row["found_best"]),
        chance=None if pd.isna(row["chance"]) else row["chance"],
        **{name: row[name] for name in _AS_THEY_ARE},
    )


_AS_THEY_ARE = (
    *("game", "fen", "key", "ply", "band", "band_other", "player", "player_other", "losing_reply"),
    *("losing_reply_uci", "loss", "exp_best", "exp_reply", "cp_best", "cp_reply", "reason_detail", "motif"),
    *("pattern", "piece", "square", "wins", "opening", "by", "nodes"),
)


def seen_square(board: chess.Board, square: chess.Square) -> str:
    """A square as the side to move sees it when it plays as White.

    >>> seen_square(chess.Board("4k3/8/8/8/8/8/8/4K3 b - - 0 1"), chess.F2)
    'f7'
    """
    return chess.square_name(square if board.turn == chess.WHITE else chess.square_mirror(square))


def gain_shown(
    board: chess.Board, reply: chess.Move, line: Sequence[chess.Move], motif: Mapping[str, Any]
) -> int:
    """Plies of a punishment until it shows what it gains; 0: it does not.

    `motif`: its piece and square, and what it wins. That is mate; or the first move of the side that punishes
    after which it has as much as that beyond what it had before the mistake, and keeps it when captures have
    settled; or, where something other than material is gained, the strike itself.
    """
    profits, wins = not board.turn, _pawns_of(motif["wins"])
    had = material_balance(board, profits)
    now = after(board, (reply,))
    for plies, move in enumerate(line, start=1):
        strikes = strikes_by(now, move, motif["piece"], motif["square"])
        now.push(move)
        if now.turn == profits:
            continue
        has = now.is_checkmate() or _has_won(now, profits, had, wins)
        if has or (strikes and not motif["wins"]):
            return plies
    return 0


def _has_won(board: chess.Board, side: chess.Color, had: int, wins: int) -> bool:
    wanted = had + wins
    # What stands on the board is quicker to count than what is left when captures have settled.
    return wins > 0 and material_balance(board, side) >= wanted and settled_balance(board, side) >= wanted


def strikes_by(board: chess.Board, move: chess.Move, piece: str, square: str) -> bool:
    """Whether a move is that of such a piece to such a square, as its side sees it playing as White."""
    kind = board.piece_type_at(move.from_square) or chess.PAWN
    return chess.piece_symbol(kind).upper() == piece and seen_square(board, move.to_square) == square


_NUMBERS = {"a": 1, "an": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6}
_COUNTED = re.compile(rf"\b({'|'.join(_NUMBERS)}) ([a-z]+?)s?\b")
_WORTH = {chess.piece_name(kind): value for kind, value in VALUES.items()}


def _pawns_of(wins: str) -> int:
    """What is won, in pawns; 0: nothing that can be counted.

    >>> _pawns_of("a rook and two pawns for a bishop"), _pawns_of("mate")
    (4, 0)
    """
    got, _, given = wins.partition(" for ")
    found = [_COUNTED.findall(part) for part in (got, given)]
    won, lost = (sum(_NUMBERS[n] * _WORTH.get(man, 0) for n, man in part) for part in found)
    return won - lost
