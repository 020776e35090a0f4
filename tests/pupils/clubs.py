"""A store with few findings written by hand, and pupils' games whose verdicts a chess player can check.

In the Vienna, Black falls in with 3...exf4 and is punished by 4.e5. In Philidor's Defence, Black takes the
queen with 5...Bxd1 and is mated by 6.Bxf7+. On the first move, White falls in with 1.g4.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import chess

from miner.board.moves import pack
from miner.finding.finding import Finding
from miner.store import Store
from tests.export.examples import first_move, legal, vienna
from tests.report.stores import written_store

Row = dict[str, Any]

INTO_VIENNA = "e4 e5 Nc3 Nf6 f4"
VIENNA_BY_ANOTHER_WAY = "e4 e5 f4 Nf6 Nc3"
INTO_LEGAL = "e4 e5 Nf3 d6 Bc4 Bg4 Nc3 g6 Nxe5"
QUIET = "d4 d5 c4 e6"


def club_findings() -> list[Finding]:
    """Losing replies by band, the Vienna's for two bands."""
    return [
        vienna(gain_for_band=0.2),
        vienna(band="800-999", gain_for_band=0.1, pick_rate=0.5),
        legal(gain_for_band=0.8),
        first_move(gain_for_band=0.05, pick_rate=0.02),
    ]


def followed_row(finding: Finding, answer: str, kept: float | None) -> Row:
    """A row of FOLLOWED right after the finding's losing reply; `answer` in SAN."""
    board = finding.board_after
    key, move = finding.reply
    return {
        "key": key,
        "move": move,
        "at": chess.polyglot.zobrist_hash(board),
        "fen": board.fen(),
        "plies": 0,
        "path": "",
        "answer": pack(board.parse_san(answer)),
        "best_move": "",
        "cp_best": None,
        "cp_answer": None,
        "exp_best": None,
        "exp_answer": None,
        "kept": kept,
        "nodes": 1000,
    }


def club_store(
    folder: Path, findings: Sequence[Finding] | None = None, followed: Sequence[Row] | None = None
) -> Store:
    """The store: 4.e5 keeps everything, 4.d3 a quarter of the gain and 4.Qe2 0.8 of it."""
    if followed is None:
        answers = (("e5", 1.0), ("d3", 0.25), ("Qe2", 0.8))
        followed = [followed_row(vienna(), answer, kept) for answer, kept in answers]
    tables: Mapping[str, Sequence[Row]] = {"followed": followed} if followed else {}
    folder.mkdir(parents=True, exist_ok=True)
    return written_store(folder, club_findings() if findings is None else findings, tables)


def game(moves: str, white: str = "Anna", black: str = "Bert", **tags: str) -> str:
    """A game as PGN; `moves` in SAN."""
    told = {
        "Event": "Club",
        "Date": "2025.01.10",
        "White": white,
        "Black": black,
        "Result": "1-0",
        "WhiteElo": "1100",
        "BlackElo": "1100",
    } | tags
    lines = [f'[{name} "{value}"]' for name, value in told.items()]
    return "\n".join([*lines, "", f"{moves} {told['Result']}", ""])


def written(folder: Path, games: Iterable[str], name: str = "pupils.pgn") -> str:
    """The games as a file; gives its name."""
    path = folder / name
    path.write_text("\n".join(games), encoding="utf-8")
    return str(path)
