"""EPD records, read back by python-chess."""

from __future__ import annotations

import re
from typing import Any

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.export.epd import STRING_LENGTH, epd_bytes
from miner.finding.finding import Finding
from miner.finding.words import conversion_sentence, found_sentence, plain, summary, worth_sentence
from miner.reasons import Reason
from tests.export.examples import any_finding, first_move, legal, table, vienna


def read_back(*rows: Finding) -> list[tuple[chess.Board, dict[str, Any]]]:
    """Board and operations of each record."""
    records = []
    for line in epd_bytes(table(*rows)).decode().split("\n")[:-1]:
        board = chess.Board()
        records.append((board, dict(board.set_epd(line))))
    return records


def test_values_read_back() -> None:
    """Position, moves, numbers and words are those of the finding."""
    row = legal(eco="C41", opening="Philidor Defence")

    [(board, operations)] = read_back(row)

    assert board.fen().split()[:4] == row.fen.split()[:4]
    assert operations == {
        "acn": 1_600_000,
        "am": [chess.Move.from_uci("g4d1")],
        "bm": [chess.Move.from_uci("d6e5")],
        "c0": summary(row),
        "c1": "mate: mate in 2",
        "c2": "6.Bxf7+ Ke7 7.Nd5#",
        "c3": "1.e4 e5 2.Nf3 d6 3.Bc4 Bg4 4.Nc3 g6 5.Nxe5",
        "c4": worth_sentence(row),
        "c5": f"{found_sentence(row)} {conversion_sentence(row)}",
        "c6": "Model games in the store: 12, 7.",
        "c7": "6.Bxf7+",
        "ce": -240,
        "id": "1. Trap: Philidor Defence",
        "pv": [chess.Move.from_uci("d6e5"), chess.Move.from_uci("d1g4")],
    }


@given(row=any_finding())
def test_any_legal_lines(row: Finding) -> None:
    """Castling, promotion, en passant and mate come back as they went."""
    [(board, operations)] = read_back(row)

    assert board.epd() == " ".join(row.fen.split()[:4])
    assert [board.san(move) for move in operations["am"]] == [row.losing_reply]
    assert [board.san(move) for move in operations["bm"]] == [row.best_move]
    assert [board.san_and_push(move) for move in operations["pv"]] == list(row.best_line)


def test_codes_are_in_order() -> None:
    """Operations stand in the order of their codes, each ended by a semicolon."""
    [line] = epd_bytes(table(vienna())).decode().splitlines()

    codes = [part.split()[0] for part in re.sub(r'"[^"]*"', "", line).split(" - ", 1)[1].split(";")[:-1]]

    assert (
        codes
        == sorted(codes)
        == [
            *("acn", "am", "bm"),
            *(f"c{number}" for number in range(8)),
            *("ce", "id", "pv"),
        ]
    )
    assert line.endswith(";")


def test_start_position_and_missing_lines() -> None:
    """A finding at the start position, without a best line, still gives a whole record."""
    [(board, operations)] = read_back(first_move(best_line=(), reason_detail="", reason=Reason.POSITION))

    assert board == chess.Board()
    assert operations["c3"] == "the start position"
    assert operations["c1"] == "position"
    assert operations["pv"] == operations["bm"] == [chess.Move.from_uci("e2e4")]


@pytest.mark.parametrize(
    ("cp", "ce"),
    [(0, 0), (-240, -240), (9999, 32766), (9995, 32758), (-9999, -32765), (-9995, -32757), (60_000, 32_000)],
)
def test_mates_are_counted_as_the_standard_says(cp: int, ce: int) -> None:
    """Mate in one is 32766 and in five 32758; mated in one -32765, in five -32757 (standard's examples)."""
    [(_, operations)] = read_back(vienna(cp_best=cp))

    assert operations["ce"] == ce


@given(text=st.text(st.sampled_from('"\\; \n\r\taé\u2028')) | st.text(st.characters(codec="utf-8")))
def test_hostile_text(text: str) -> None:
    """Whatever tags and reasons hold, each finding is one line and comes back as plain text."""
    [_, (board, operations), _] = read_back(legal(), vienna(opening=text, reason_detail=text), legal())

    assert board.turn == chess.BLACK
    assert operations["bm"] == [chess.Move.from_uci("d7d5")]
    told = plain(f"tempo: {text}") if plain(text) else operations["c1"]
    assert operations["c1"] == told or operations["c1"].endswith("...")


@given(text=st.text(st.sampled_from('"\\é€a '), min_size=100, max_size=400))
def test_strings_are_short(text: str) -> None:
    """A string takes fewer than 256 bytes however much of it is escaped, and is cut only where it must be."""
    [(_, operations)] = read_back(vienna(reason_detail=text))

    size = len(operations["c1"].replace("\\", "\\\\").replace('"', '\\"').encode())
    assert size <= STRING_LENGTH
    assert operations["c1"] == plain(f"tempo: {text}") or size > STRING_LENGTH - 12
