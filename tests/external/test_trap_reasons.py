"""Reasons against published opening traps.

Source: tests/external/data/traps.csv, each row with its own source; see SOURCE.txt there.

The published refutations are short: half of them are a single move, after which nothing is on the board yet.
So a reason is asked for where the row itself shows it: by its listed number (mate), by a count of the pieces
at the end of its line (material), by the king that its line drives out (king), or by its name. Where the row
shows nothing, it is asked that the reason does not contradict what was published.
"""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

import chess
import pytest

from miner.explain.evidence import Evidence
from miner.explain.explanation import NO_SIMPLE_REASON, explain
from miner.reasons import Reason
from miner.terms import MATE_SCORE_CP, Side
from tests.explain.positions import board_of, san_line, score

Row = dict[str, str]

TRAPS: list[Row] = list(
    csv.DictReader((Path(__file__).parent / "data" / "traps.csv").read_text(encoding="utf-8").splitlines())
)
PAWNS = {chess.PAWN: 1, chess.KNIGHT: 3, chess.BISHOP: 3, chess.ROOK: 5, chess.QUEEN: 9, chess.KING: 0}
"""What pieces are worth in pawns: common practice, no source."""

CLEARLY = 2  # pawns: one pawn is what a count by captures alone may be wrong by
MATED = 99

NAMED = {
    "legal-pawn-g6": ("the pawn-winning version", "wins a pawn"),
    "philidor-hanham-be7": ("drops a pawn", "wins a pawn"),
    "sicilian-wing-axb4": ("the rook in the corner", "wins a rook"),
    "caro-kann-advance-e6": ("the bishop run down", "wins a bishop"),
}
"""Rows whose names say what is won and whose lines are long enough to show it: name and reason in words."""

ALLOWED = {
    "mate": {Reason.MATE, Reason.MATERIAL},  # mate can often be put off by giving pieces
    "material": {Reason.MATERIAL, Reason.POSITION},
    "king": {Reason.KING, Reason.MATERIAL, Reason.POSITION},  # an attack may win a pawn on its way
    "tempo": {Reason.TEMPO, Reason.MATERIAL, Reason.POSITION},  # so may the move that gains the tempo
}
"""Reasons that do not contradict a published gain."""
STOPS_SHORT = "four-knights-symmetry-qd7"
"""The one trap whose printed line ends two moves before anything is won, with a check."""

each_trap = pytest.mark.parametrize("row", TRAPS, ids=[row["id"] for row in TRAPS])


def rows(*, gain: str) -> list[Row]:
    return [row for row in TRAPS if row["gain"] == gain]


def test_all_rows_are_there() -> None:
    """The list is whole."""
    assert len(TRAPS) == 50
    assert Counter(row["gain"] for row in TRAPS) == {"material": 27, "mate": 8, "king": 10, "tempo": 5}


@each_trap
def test_mate_is_the_reason_where_the_list_has_a_mate(row: Row) -> None:
    """And nowhere else."""
    is_mate = mate_in(int(row["eval_reply_cp"])) is not None

    assert (explain(known(row)).reason is Reason.MATE) == is_mate


def test_material_is_the_reason_where_the_pieces_show_it() -> None:
    """Where at the end of the published line two pawns' worth or more are gone, by captures alone."""
    shown = [row for row in rows(gain="material") if pawns_lost(known(row)) >= CLEARLY]

    assert len(shown) >= 5
    assert [row["id"] for row in shown if explain(known(row)).reason is not Reason.MATERIAL] == []


def test_king_is_the_reason_where_the_line_drives_it_out() -> None:
    """Where the published line has the king of the side that erred on the move."""
    shown = [row for row in rows(gain="king") if king_moves(known(row))]

    assert len(shown) >= 3
    assert [row["id"] for row in shown if explain(known(row)).reason is not Reason.KING] == []


@pytest.mark.parametrize("trap", NAMED)
def test_what_the_name_says_is_what_is_won(trap: str) -> None:
    """The words of the reason have the piece that the trap is named for."""
    [row] = [row for row in TRAPS if row["id"] == trap]
    name, detail = NAMED[trap]

    assert name in row["name"]
    assert explain(known(row)).detail.startswith(detail)


@each_trap
def test_no_reason_contradicts_the_published_gain(row: Row) -> None:
    """A trap that wins a piece is not called a tempo, an attack on the king not a mate, and so on.

    Of a line that stops before its point nothing is said at all.
    """
    found = explain(known(row))

    if row["id"] == STOPS_SHORT:
        assert found.detail == NO_SIMPLE_REASON
    else:
        assert found.reason in ALLOWED[row["gain"]]


def pawns_lost(known: Evidence) -> int:
    """What the side that errs has lost at the end of the reply's line, each side taking what it can."""
    board = known.board.copy()
    before = settled(board)
    for move in known.reply_line:
        board.push(move)
    after = settled(board) if board.turn == known.errs else -settled(board)
    return before - after


def settled(board: chess.Board, least: int = -MATED, most: int = MATED) -> int:
    """Material of the side to move in pawns, after captures that either side may stop at."""
    if board.is_checkmate():
        return -MATED
    best = -MATED if board.is_check() else counted(board)
    for move in list(board.legal_moves if board.is_check() else board.generate_legal_captures()):
        if best >= most:
            break
        board.push(move)
        best = max(best, -settled(board, -most, -max(least, best)))
        board.pop()
    return best


def counted(board: chess.Board) -> int:
    own = [PAWNS[piece.piece_type] for piece in board.piece_map().values() if piece.color == board.turn]
    return 2 * sum(own) - sum(PAWNS[piece.piece_type] for piece in board.piece_map().values())


def king_moves(known: Evidence) -> bool:
    """Whether the king of the side that errs moves in the reply's line."""
    board = known.board.copy()
    for move in known.reply_line:
        if board.turn == known.errs and board.piece_type_at(move.from_square) == chess.KING:
            return True
        board.push(move)
    return False


def known(row: Row) -> Evidence:
    """Evidence from a row: the published refutation and the engine's best move, with its scores."""
    moves = row["moves"].rsplit(" ", 1)[0]
    board = board_of(moves)
    side = Side.of(board.turn)
    return Evidence(
        board=board,
        best_line=san_line(board, row["best_move"]),
        reply_line=san_line(board, f"{row['losing_reply']} {row['refutation']}"),
        best=score(side, int(row["eval_best_cp"])),
        reply=score(side, int(row["eval_reply_cp"]), mate_in(int(row["eval_reply_cp"]))),
    )


def mate_in(score_cp: int) -> int | None:
    """Moves to mate behind a score that counts mate as centipawns; the list writes at least one."""
    return -max(1, MATE_SCORE_CP + score_cp) if score_cp <= -MATE_SCORE_CP + 100 else None
