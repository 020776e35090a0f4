"""CSV, Parquet and JSON."""

from __future__ import annotations

import csv
import io
import json

import chess
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.export.lists import CSV_COLUMNS, csv_bytes, json_bytes, parquet_bytes
from miner.finding.words import plain
from miner.schema import FINDINGS
from tests.export.examples import first_move, legal, table, vienna


def rows_of(contents: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(contents.decode(), newline=""), strict=True))


def test_csv_columns() -> None:
    """The columns stand in the order of the table; without findings there is still the header line."""
    assert list(CSV_COLUMNS) == [name for name in FINDINGS.names if name in CSV_COLUMNS]
    assert csv_bytes(table()).decode() == ",".join(CSV_COLUMNS) + "\r\n"


def test_csv_values() -> None:
    """Values read back as they were, rounded as documented."""
    [row, other] = rows_of(csv_bytes(table(vienna(points_per_100_low=-0.0001), legal())))

    assert row["fen"] == "rnbqkb1r/pppp1ppp/5n2/4p3/4PP2/2N5/PPPP2PP/R1BQKBNR b KQkq - 0 3"
    assert int(row["key"], 16) == vienna().key
    assert len(row["key"]) == 16
    assert (row["path"], row["losing_reply"]) == ("e4 e5 Nc3 Nf6 f4", "exf4")
    assert (row["pick_rate_low"], row["steered_reach"], row["plain_reach"]) == (
        "0.2680",
        "0.250000",
        "0.012346",
    )
    assert row["points_per_100_low"] == "0.000"
    assert (other["cp_reply"], other["observed_without_reply"]) == ("-9998", "")


def test_csv_key_keeps_its_leading_zeros() -> None:
    """A small key still has 16 digits."""
    [row] = rows_of(csv_bytes(table(vienna(key=0xBEEF))))

    assert row["key"] == "000000000000beef"


def test_csv_leaves_castling_and_checks_alone() -> None:
    """SAN never begins like a formula, so it is never changed."""
    [row] = rows_of(csv_bytes(table(vienna(best_move="O-O", refutation=("Qh5+", "g6", "Qxe5+")))))

    assert (row["best_move"], row["refutation"]) == ("O-O", "Qh5+ g6 Qxe5+")


@pytest.mark.parametrize(
    ("opening", "cell"),
    [
        ("=HYPERLINK(1)", "'=HYPERLINK(1)"),
        ("\t@SUM(A1)", "'@SUM(A1)"),
        ("\r\n-2+3", "'-2+3"),
        ("Sicilian; =1+1", "Sicilian; '=1+1"),
        ("Caro-Kann, Advance", "Caro-Kann, Advance"),
    ],
)
def test_csv_disarms_formulas(opening: str, cell: str) -> None:
    """No cell begins as a formula, and an ordinary name is left alone."""
    [row] = rows_of(csv_bytes(table(vienna(opening=opening))))

    assert row["opening"] == cell


@given(
    text=st.text(alphabet=st.sampled_from("=+-@;,\"'\t\r\n aé\x00\u2028"))
    | st.text(st.characters(codec="utf-8"))
)
def test_csv_holds_any_text(text: str) -> None:
    """Whatever the tags held, there is one record per finding, and the text differs by apostrophes only."""
    rows = rows_of(csv_bytes(table(vienna(opening=text, eco=text), legal())))

    assert len(rows) == 2
    assert rows[0]["opening"].replace("'", "") == plain(text).replace("'", "")
    assert rows[0]["opening"][:1] not in {"=", "+", "-", "@", "\t", "\r"}
    assert rows[0]["opening"] == rows[0]["eco"]


def test_parquet_keeps_everything() -> None:
    """All columns come back with values, types and descriptions."""
    findings = table(vienna(opening="=1\t\"'"), legal(), first_move())

    read = pq.read_table(pa.BufferReader(parquet_bytes(findings)))

    assert read.equals(findings)
    assert [(one.metadata, one.nullable) for one in read.schema] == [
        (one.metadata, one.nullable) for one in FINDINGS
    ]


def test_json_values() -> None:
    """Numbers, lists and truth values are such, text is not defused, and moves fit the position."""
    [row, other] = json.loads(json_bytes(table(vienna(opening='=1+"é"'), legal())))

    board = chess.Board(row["fen"])
    assert board.parse_uci(row["losing_reply_uci"]) == board.parse_san(row["losing_reply"])
    assert (row["opening"], row["games_with_reply"], row["gambit"]) == ('=1+"é"', 28, False)
    assert isinstance(row["refutation"], list)
    assert other["observed_without_reply"] is None


@pytest.mark.parametrize("contents", [csv_bytes, parquet_bytes])
def test_bytes_do_not_depend_on_chunks(contents: object) -> None:
    """The same findings give the same bytes, in one piece or in several."""
    assert callable(contents)
    rows = [vienna(), legal(), first_move()]

    in_pieces = pa.concat_tables([table(row) for row in rows])

    assert contents(in_pieces) == contents(table(*rows))
