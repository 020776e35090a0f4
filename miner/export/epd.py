"""Findings as EPD, one position a line, for engines and test suites."""

from __future__ import annotations

import pyarrow as pa

from miner.board.moves import parse_san_line
from miner.finding.finding import Finding, findings_of
from miner.finding.words import (
    answers_words,
    conversion_sentence,
    found_sentence,
    models_sentence,
    path_words,
    plain,
    refutation_words,
    summary,
    title,
    worth_sentence,
)
from miner.terms import MATE_SCORE_CP

STRING_LENGTH = 250
"""Bytes of a string that are kept; the standard allows fewer than 256."""

LONGEST_MATE = 1_000
EPD_MATE = 32767


def epd_bytes(findings: pa.Table) -> bytes:
    """One record per finding, in the order of the list, operations in the order of their codes; UTF-8, LF.

    `bm` best move, `am` losing reply, `ce` evaluation for the side to move, `acn` nodes, `pv` best line,
    `id` rank and name; comments: `c0` the numbers in words, `c1` the reason, `c2` the refutation, `c3` the
    way to the position, `c4` what teaching it is worth, `c5` who finds the punishment and what they made of
    it, `c6` the model games, `c7` the good answers to the losing reply, the best first.

    Source: Portable Game Notation Specification (1994), section 16.2, from memory. It has no way to put a
    quotation mark into a string; python-chess's backslash is used.
    """
    records = [_record(finding, rank) for rank, finding in enumerate(findings_of(findings), start=1)]
    return "".join(record + "\n" for record in records).encode()


def _record(finding: Finding, rank: int) -> str:
    board = finding.board
    reason = f"{finding.reason}: {finding.reason_detail}".removesuffix(": ")
    return board.epd(
        acn=finding.nodes,
        am=[board.parse_san(finding.losing_reply)],
        bm=[board.parse_san(finding.best_move)],
        c0=string_operand(summary(finding)),
        c1=string_operand(reason),
        c2=string_operand(refutation_words(finding)),
        c3=string_operand(path_words(finding)),
        c4=string_operand(worth_sentence(finding)),
        c5=string_operand(f"{found_sentence(finding)} {conversion_sentence(finding)}"),
        c6=string_operand(models_sentence(finding)),
        c7=string_operand(answers_words(finding)),
        ce=_centipawns(finding.cp_best),
        id=string_operand(f"{rank}. {title(finding)}"),
        pv=parse_san_line(board, finding.better),
    )


def string_operand(text: str) -> str:
    """Text as a string operand that keeps its length once it is escaped and encoded."""
    clean = plain(text)
    kept = clean
    while len(_escaped(kept)) > STRING_LENGTH:
        clean = clean[:-1]
        kept = clean.rstrip() + "..."
    return kept


def _escaped(text: str) -> bytes:
    return text.replace("\\", "\\\\").replace('"', '\\"').encode()


def _centipawns(cp: int) -> int:
    """The standard's number for our own: mate in n is 32767 less the plies, and the negative for being mated.

    >>> _centipawns(35), _centipawns(10_000 - 1), _centipawns(-10_000 + 1)
    (35, 32766, -32765)
    """
    mate_in = MATE_SCORE_CP - abs(cp)
    if not 0 <= mate_in <= LONGEST_MATE:
        return max(-32000, min(32000, cp))
    return EPD_MATE - (2 * mate_in - 1) if cp > 0 else -EPD_MATE + 2 * mate_in
