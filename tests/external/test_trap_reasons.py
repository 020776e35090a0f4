"""Reasons against published opening traps.

Source: tests/external/data/traps.csv, each row with its own source; see SOURCE.txt there.

The published refutations are short: half of them are a single move, after which nothing is on the board
yet, so that the reason is then the position. Where more is shown the reason agrees, but for these rows:
- Centre game 5.e5 Ng4: published as a tempo. The knight attacks queen and pawn, and the pawn falls.
- Giuoco piano 7.d5: published as a tempo. 6...Bb4+ would have won the pawn on e4 for the moment.
- Fishing pole: published as an attack on the king; White must give two pawns' worth to stop the mate.
- Owen's defence 3...f5: published as an attack on the king; the line ends before the king has moved, with
  a pawn won.
- Four knights 11...Qd7: published as mate; the engine sees a way out of it that costs material.
"""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

import pytest

from miner.explain import Evidence, Reason, explain
from miner.terms import MATE_SCORE_CP, Side
from tests.explain.positions import board_of, san_line, score

TRAPS = list(
    csv.DictReader((Path(__file__).parent / "data" / "traps.csv").read_text(encoding="utf-8").splitlines())
)
DISAGREE = {
    "centre-game-e5",
    "fishing-pole-take",
    "four-knights-symmetry-qd7",
    "giuoco-bb6-d5",
    "owen-greco-f5",
}
AGREE_AT_LEAST = 29


def test_all_rows_are_there() -> None:
    """The list is whole."""
    assert len(TRAPS) == 50
    assert Counter(row["gain"] for row in TRAPS) == {"material": 27, "mate": 8, "king": 10, "tempo": 5}


def test_reasons_agree_with_the_published_gain() -> None:
    """The reason is the published gain wherever the short published line lets it be seen."""
    agree = [row["id"] for row in TRAPS if explain(known(row)).reason == row["gain"]]

    assert len(agree) >= AGREE_AT_LEAST, sorted({row["id"] for row in TRAPS} - set(agree))


@pytest.mark.parametrize("row", TRAPS, ids=[row["id"] for row in TRAPS])
def test_no_other_reason_is_given(row: dict[str, str]) -> None:
    """A reason that is not the published one is at most the position, but for the rows named above."""
    found = explain(known(row))

    if row["id"] in DISAGREE:
        assert found.reason != row["gain"]
    else:
        assert found.reason in (row["gain"], Reason.POSITION), found


def known(row: dict[str, str]) -> Evidence:
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
