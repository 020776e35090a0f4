"""Findings and the table that holds them."""

from __future__ import annotations

from typing import Any, get_type_hints

import chess
import pyarrow as pa
import pytest
from hypothesis import given

from miner.board.moves import pack
from miner.finding.finding import Finding, findings_of
from miner.finding.seasons import Trend
from miner.reasons import Pattern, Reason
from miner.schema import FINDINGS
from miner.terms import Kind, Side
from tests.export.examples import any_finding, finding, first_move, legal, table, vienna

NARROWER = {
    **{"side": Side, "kind": Kind, "reason": Reason, "pattern": Pattern | None, "trend": Trend},
    **dict.fromkeys(("path", "refutation", "best_line"), tuple[str, ...]),
}
"""Texts of the table that are more than texts."""

PLAIN = {
    **{"string": str, "int64": int, "uint64": int, "double": float},
    **dict.fromkeys((str(pa.list_(pa.int32())), str(pa.list_(pa.uint32()))), tuple[int, ...]),
}


def test_a_field_for_every_column() -> None:
    """A column that the class lacks, or a field that the table lacks, is told here."""
    assert [*get_type_hints(Finding)] == FINDINGS.names


@pytest.mark.parametrize("column", list(FINDINGS), ids=lambda column: str(column.name))
def test_fields_have_the_types_of_the_columns(column: pa.Field) -> None:
    """Numbers and texts as they are, null as None, lists of numbers as tuples."""
    wide: Any = PLAIN[str(column.type)]

    told = get_type_hints(Finding)[column.name]

    assert told == NARROWER.get(column.name, wide | None if column.nullable else wide)
    assert wide is str or column.name not in NARROWER


@given(found=any_finding())
def test_there_and_back(found: Finding) -> None:
    """A table gives back the findings that it was made of, and they the table."""
    findings = [found, vienna(pattern=Pattern.PIN, trend="falling", trend_p=0.01), legal(model_games=())]

    assert findings_of(table(*findings)) == findings
    assert table(*findings_of(table(*findings))).equals(table(*findings))


def test_promotion_is_a_reply_like_any_other() -> None:
    """The move of the tables and that of the findings are the same one."""
    path = "e4 d5 exd5 c6 dxc6 Nf6 cxb7 Nbd7"
    found = finding(path, "bxa8=N", "Qc7", "bxc8=Q Qxc8")

    assert found.reply == (found.key, pack(chess.Move.from_uci("b7a8n")))


def test_sides() -> None:
    """The side that profits is taught a trap, the side that errs is taught a pitfall."""
    assert (vienna().mover, vienna().taught) == (Side.BLACK, Side.WHITE)
    assert (first_move().mover, first_move().taught) == (Side.WHITE, Side.WHITE)


def test_boards() -> None:
    """Each board is the caller's own: before the losing reply, or after it."""
    found = vienna()
    found.board.push_san("d5")

    assert found.board.fen(en_passant="legal") == found.fen
    assert found.board_after.peek().uci() == found.losing_reply_uci


def test_better_where_no_line_is_known() -> None:
    """The best move alone."""
    assert (vienna().better, vienna(best_line=()).better) == (("d5", "fxe5", "Nxe4"), ("d5",))
