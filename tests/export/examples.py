"""Findings that a chess player can check by eye, as the rank stage would write them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import chess
import chess.polyglot
import pyarrow as pa
from hypothesis import assume
from hypothesis import strategies as st

from miner.finding.finding import Finding
from miner.reasons import Reason
from miner.schema import FINDINGS
from miner.terms import Kind, Side


def finding(path: str, reply: str, refutation: str, best_line: str, /, **changes: Any) -> Finding:
    """A losing reply after a path (SAN, space-separated), with values that `changes` replaces."""
    board = chess.Board()
    for san in path.split():
        board.push_san(san)
    found = Finding(
        fen=board.fen(en_passant="legal"),
        key=chess.polyglot.zobrist_hash(board),
        ply=board.ply(),
        path=tuple(path.split()),
        eco="",
        opening="",
        side=Side.of(board.turn).other,
        kind=Kind.TRAP,
        band="1000-1199",
        games_at_position=80,
        games_with_reply=28,
        games_at_position_elsewhere=0,
        games_with_reply_elsewhere=0,
        games_in_all=6_480,
        players_with_reply=25,
        pick_rate=0.35,
        pick_rate_low=0.268,
        pick_rate_high=0.441,
        losing_reply=reply,
        losing_reply_uci=board.parse_san(reply).uci(),
        best_move=best_line.split()[0],
        exp_best=0.5,
        exp_reply=0.39,
        loss=0.11,
        cp_best=0,
        cp_reply=-78,
        reason=Reason.TEMPO,
        reason_detail="the knight must go back from f6 to g8",
        refutation=tuple(refutation.split()),
        plain_reach=0.0123456,
        steered_reach=0.25,
        points_per_100=0.9625,
        points_per_100_low=0.5,
        observed_with_reply=0.41,
        observed_without_reply=0.52,
        engine="An Engine 1",
        nodes=1_600_000,
        wdl_best=(100, 800, 100),
        wdl_reply=(),
        pattern=None,
        best_line=tuple(best_line.split()),
        gain_for_band=0.09,
        curve="fitted",
        find_rate=0.4,
        find_rate_low=0.31,
        find_rate_high=0.49,
        teaching_value=0.47,
        teaching_value_low=0.2,
        conversion_expected=0.6,
        conversion_observed=0.58,
        conversion_games=26,
        model_games=(12, 7),
        games_per_player=1.3,
        trend="",
        trend_p=None,
        punish_value=0.47,
        punish_value_low=0.2,
        punish_points=0.9625,
        punish_points_low=0.5,
        punish_gain=0.12,
        avoid_value=0.03,
        avoid_value_low=0.01,
        gambit=False,
        answers=tuple(refutation.split()[:1]),
        best_rate=0.4,
        find_games=39,
        find_players=31,
        found_games=16,
        taught_games=16,
        usual_line=(),
        usual_games=0,
        usual_of=0,
        wins_pawns=0,
        lasted_games=0,
        lasted_kept=0,
    )
    return replace(found, **changes)


def vienna(**changes: Any) -> Finding:
    """Black takes the gambit pawn and must put the knight back."""
    changes = {"eco": "C29", "opening": "Vienna Gambit"} | changes
    return finding("e4 e5 Nc3 Nf6 f4", "exf4", "e5 Ng8 Nf3", "d5 fxe5 Nxe4", **changes)


def legal(**changes: Any) -> Finding:
    """Black takes the queen that White left, and is mated: 5...Bxd1 6.Bxf7+ Ke7 7.Nd5#."""
    path = "e4 e5 Nf3 d6 Bc4 Bg4 Nc3 g6 Nxe5"
    changes = {
        "reason": Reason.MATE,
        "reason_detail": "mate in 2",
        "loss": 0.8,
        "exp_best": 0.2,
        "exp_reply": 0.0,
        "cp_best": -240,
        "cp_reply": -9998,
        "observed_without_reply": None,
    } | changes
    return finding(path, "Bxd1", "Bxf7+ Ke7 Nd5#", "dxe5 Qxg4", **changes)


def first_move(**changes: Any) -> Finding:
    """White errs on the first move: no path, and White's own pupils are warned."""
    return finding("", "g4", "d5 Bg2 Bxg4", "e4 e5 Nf3", kind=Kind.PITFALL, **changes)


@st.composite
def any_finding(draw: st.DrawFn) -> Finding:
    """A finding after any legal moves, with any two replies and any legal lines after them."""
    board = chess.Board()
    path = _any_line(draw, board, 40)
    assume(board.legal_moves.count() >= 2)
    replies = list(board.legal_moves)
    losing = draw(st.sampled_from(replies))
    best = draw(st.sampled_from([move for move in replies if move != losing]))
    after_losing, after_best = board.copy(), board.copy()
    reply, best_move = after_losing.san_and_push(losing), after_best.san_and_push(best)
    refutation = _any_line(draw, after_losing, 8)
    best_line = [best_move, *_any_line(draw, after_best, 8)]
    return finding(" ".join(path), reply, " ".join(refutation), " ".join(best_line))


def _any_line(draw: st.DrawFn, board: chess.Board, plies: int) -> list[str]:
    line = []
    for choice in draw(st.lists(st.integers(0, 217), max_size=plies)):
        moves = list(board.legal_moves)
        if moves:
            line.append(board.san_and_push(moves[choice % len(moves)]))
    return line


def table(*findings: Finding) -> pa.Table:
    """Findings as a table of the schema FINDINGS."""
    return pa.Table.from_pylist([_row(one) for one in findings], schema=FINDINGS)


def _row(finding: Finding) -> dict[str, Any]:
    row = {name: getattr(finding, name) for name in FINDINGS.names}
    lines = {
        name: " ".join(row[name]) for name in ("path", "refutation", "best_line", "answers", "usual_line")
    }
    return row | lines | {"pattern": finding.pattern or ""}
