"""The moves that may be mistakes, and the rows of `moments` that become of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import chess
import numpy as np
import pandas as pd

from miner.arrays import Floats, Ints
from miner.board.moves import develops, parse_uci_line, unpack_move
from miner.explain.evidence import Evidence
from miner.explain.explanation import explain
from miner.explain.motif import find_motif
from miner.finding import openings
from miner.scan.inquiry import Mistake, Suspect
from miner.scan.walk import Walked
from miner.settings import ScanSettings
from miner.terms import BandScheme


def suspect_rows(moves: Walked, expected: Floats, settings: ScanSettings) -> Ints:
    """The rows of moves that seem to give much away and to leave their players worse.

    `expected`: of each distinct position, for its side to move; NaN: not known.
    """
    left = 1.0 - np.where(moves.after >= 0, expected[moves.after], np.nan)
    loss = expected[moves.before] - left
    return np.flatnonzero((loss >= settings.screen) & (left <= settings.screen_score))


def suspects_of(moves: Walked, expected: Floats, settings: ScanSettings) -> list[Suspect]:
    """Those moves, each once for all games in which it was played in that position."""
    played: dict[tuple[int, int], set[int]] = {}
    taken_on: dict[tuple[int, int], int | None] = {}
    for row in suspect_rows(moves, expected, settings).tolist():
        suspect = int(moves.before[row]), int(moves.move[row])
        answers = played.setdefault(suspect, set())
        if (following := int(moves.next_row[row])) >= 0:
            answers.add(int(moves.move[following]))
        if suspect not in taken_on:
            taken_on[suspect] = _taken_on(moves, row)
    return [
        Suspect(
            int(moves.keys[place]), move, moves.fens[place], tuple(sorted(answers)), taken_on[place, move]
        )
        for (place, move), answers in played.items()
    ]


def _taken_on(moves: Walked, row: int) -> int | None:
    """The square on which the move before that of `row` has taken something, if it has."""
    if row == 0 or moves.game[row - 1] != moves.game[row]:
        return None
    before, move = chess.Board(moves.fens[moves.before[row - 1]]), unpack_move(int(moves.move[row - 1]))
    return move.to_square if before.is_capture(move) else None


def told_of(found: tuple[Suspect, Mistake], settings: ScanSettings) -> dict[str, Any]:
    """What is told of a mistake, whatever game it is made in; columns as in `moments`."""
    suspect, mistake = found
    board, move = chess.Board(suspect.fen), unpack_move(suspect.move)
    evidence = Evidence(
        board=board,
        best_line=parse_uci_line(board, mistake.pv_best),
        reply_line=parse_uci_line(board, mistake.pv_reply),
        best=mistake.best,
        reply=mistake.reply,
        defences=(parse_uci_line(board, mistake.pv_defence),) if mistake.pv_defence else (),
        answers=tuple(map(chess.Move.from_uci, mistake.answers)),
    )
    explanation = explain(evidence)
    motif = find_motif(evidence, explanation, suspect.taken_on)
    return {
        "key": suspect.key,
        "fen": suspect.fen,
        "move": suspect.move,
        "losing_reply": board.san(move),
        "losing_reply_uci": move.uci(),
        "best_move": mistake.pv_best[0],
        "answers": mistake.answers,
        "kept": mistake.kept,
        "cp_best": mistake.best.as_cp,
        "cp_reply": mistake.reply.as_cp,
        "exp_best": mistake.best.expected,
        "exp_reply": mistake.reply.expected,
        "loss": mistake.loss,
        "reason": explanation.reason.value,
        "reason_detail": explanation.detail,
        "pattern": motif.pattern,
        "piece": motif.piece,
        "square": motif.square,
        "wins": motif.wins,
        "by": kind_of_move(board, move),
        "nodes": settings.nodes[-1],
        "pv_best": mistake.pv_best,
        "pv_reply": mistake.pv_reply,
        "pv_defence": mistake.pv_defence,
    }


def moments_of(
    moves: Walked, told: Sequence[dict[str, Any]], games: pd.DataFrame, bands: BandScheme
) -> pd.DataFrame:
    """A row per mistake and game, by game and ply; columns as in `moments`, but for `motif` and `opening`.

    `told`: of each mistake, as `told_of` gives it.
    """
    mistakes = {(row["key"], row["move"]): row for row in told}
    players = _players(games, bands)
    rows: list[dict[str, Any]] = []
    keys = moves.keys[moves.before]
    for row, key_and_move in enumerate(zip(keys.tolist(), moves.move.tolist(), strict=True)):
        if key_and_move not in mistakes:
            continue
        mistake, game, ply = mistakes[key_and_move], int(moves.game[row]), int(moves.ply[row])
        white, black = players[game]
        (player, band), (other, band_other) = (white, black) if ply % 2 == 0 else (black, white)
        following = int(moves.next_row[row])
        played = unpack_move(int(moves.move[following])).uci() if following >= 0 else ""
        rows.append(
            mistake
            | {
                "game": game,
                "ply": ply,
                "player": player,
                "band": band,
                "player_other": other,
                "band_other": band_other,
                "played": played,
                "found": played in mistake["answers"] if played else None,
                "found_best": played == mistake["answers"][0] if played else None,
            }
        )
    return pd.DataFrame(rows)


def with_openings(moments: pd.DataFrame, played: pd.DataFrame) -> pd.DataFrame:
    """The moments with a column `opening`: the last named position that the game had reached by then.

    `played`: game, ply and key of all moves of these games.
    """
    names = {key: opening.name for key, opening in openings.table().items()}
    named = played[played["key"].isin(list(names))]
    # As text: keys would lose their last digits where one is missing.
    reached = pd.DataFrame(
        {
            "game": named["game"].astype("int64"),
            "ply": named["ply"].astype("int64"),
            "opening": named["key"].map(names),
        }
    )
    latest = pd.merge_asof(
        moments[["game", "ply"]].astype("int64").sort_values("ply", kind="stable"),
        reached.sort_values("ply", kind="stable"),
        on="ply",
        by="game",
    ).sort_values(["game", "ply"])
    return moments.assign(opening=latest["opening"].fillna("").to_numpy())


def _players(games: pd.DataFrame, bands: BandScheme) -> dict[int, list[tuple[int, str]]]:
    """By game: hash and band of White, then of Black."""
    sides = [
        [
            (player, bands.name_of(rating))
            for player, rating in zip(games[f"{side}_player"], games[f"{side}_rating"], strict=True)
        ]
        for side in ("white", "black")
    ]
    return dict(zip(games["game"].tolist(), map(list, zip(*sides, strict=True)), strict=True))


def kind_of_move(board: chess.Board, move: chess.Move) -> str:
    """What kind of move this is, in a coach's words; the first that fits.

    >>> kind_of_move(chess.Board(), chess.Move.from_uci("g1f3"))
    'development'
    """
    if board.is_castling(move):
        return "castling"
    if board.is_capture(move):
        return "capture"
    if board.gives_check(move):
        return "check"
    if develops(board, move):
        return "development"
    kind = board.piece_type_at(move.from_square) or chess.PAWN
    return "pawn move" if kind == chess.PAWN else f"{chess.piece_name(kind)} move"
