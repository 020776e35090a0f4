"""A finding and its table; which judged replies are losing."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, get_type_hints

import chess
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given

from miner.board.moves import pack
from miner.finding.finding import NOISE, Finding, Trend, findings_of, is_losing, overrated
from miner.reasons import Pattern, Reason
from miner.schema import FINDINGS
from miner.settings import RankSettings
from miner.terms import Kind, Side
from tests.export.examples import any_finding, finding, first_move, legal, table, vienna

NARROWER = {
    **{"side": Side, "kind": Kind, "reason": Reason, "pattern": Pattern | None, "trend": Trend},
    **dict.fromkeys(("path", "refutation", "best_line", "answers", "usual_line"), tuple[str, ...]),
}
"""Texts of the table that are more than texts."""

PLAIN = {
    **{"string": str, "bool": bool, "int64": int, "uint64": int, "double": float},
    **dict.fromkeys((str(pa.list_(pa.int32())), str(pa.list_(pa.uint32()))), tuple[int, ...]),
}


def test_a_field_for_every_column() -> None:
    """A column that the class lacks, or a field that the table lacks, is told here."""
    assert [field.name for field in fields(Finding)] == FINDINGS.names


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


LOSING: dict[str, Any] = {
    "cp_best": 20,
    "cp_reply": -150,
    "loss": 0.25,
    "nodes_before": 400_000,
    "loss_before": 0.22,
    "retreat_loss": None,
    "state": "judged",
}


def losing(settings: RankSettings | None = None, /, **other: Any) -> bool:
    """Whether a reply is losing: by default one that loses 0.25, and lost 0.22 at the budget before."""
    row = pd.DataFrame([LOSING | other]).astype({"retreat_loss": float, "loss": float, "loss_before": float})
    return bool(is_losing(row, settings or RankSettings()).iloc[0])


@pytest.mark.parametrize(
    ("loss", "before", "expected"),
    [
        (0.25, 0.22, True),
        (0.1151, 0.1051, True),  # just beyond the threshold, and in the mean of both
        (0.1151, 0.1039, False),
        (0.1099, 0.2, False),  # a longer search may find that it does not lose as much
        (0.25, 0.0524, False),  # only the last search says so
        (0.0, 0.25, False),
    ],
)
def test_by_score(loss: float, before: float, expected: bool) -> None:
    """It loses more than the threshold, also in the mean with the budget before, and half of it there."""
    assert losing(loss=loss, loss_before=before) is expected


def test_one_search_is_not_enough() -> None:
    """What the screen alone says is not shown."""
    assert not losing(nodes_before=0, loss_before=None)


def test_inconclusive_is_not_losing() -> None:
    """A verdict that could not be had is none."""
    assert not losing(state="inconclusive")
    assert not losing(state="inconclusive", loss=None, cp_best=None, cp_reply=None, loss_before=None)


def test_threshold_can_be_chosen() -> None:
    """A coach of stronger players may ask for less; the share to hold goes with it."""
    assert losing(RankSettings(loss_threshold=0.06), loss=0.08, loss_before=0.06)
    assert not losing(RankSettings(loss_threshold=0.3), loss=0.25)
    assert not losing(RankSettings(hold_share=1.0), loss=0.25, loss_before=0.09)


def test_into_mate() -> None:
    """A reply that is mated where the best move is not counts in a lost position, too."""
    lost = {"cp_best": -1_200, "loss": 0.001, "loss_before": 0.001}

    assert losing(cp_reply=-9_998, **lost)
    assert not losing(cp_reply=-2_500, **lost)


def test_mate_either_way_is_no_mistake() -> None:
    """Who is mated whatever he plays has lost nothing by this move."""
    assert not losing(cp_best=-9_990, cp_reply=-9_998, loss=0.0, loss_before=0.0)


def test_mate_that_only_one_search_saw() -> None:
    """A mate must show some loss at the budget before."""
    assert not losing(cp_best=-1_200, cp_reply=-9_998, loss=0.001, loss_before=0.0)
    assert not losing(cp_best=-1_200, cp_reply=-9_998, loss=0.001, nodes_before=0, loss_before=None)


@pytest.mark.parametrize(
    ("loss", "before", "retreat_loss", "expected"),
    [
        (0.06, 0.03, 0.12, True),
        (0.05, 0.025, 0.10, True),
        (0.06, 0.03, 0.09, False),  # another move than home is nearly as good: not forced
        (0.06, 0.02, 0.12, False),
        (0.04, 0.04, 0.12, False),
        (0.06, 0.03, None, False),
    ],
)
def test_by_tempo(loss: float, before: float, retreat_loss: float | None, expected: bool) -> None:
    """Half the loss is enough where a piece is sent home by force."""
    assert losing(loss=loss, loss_before=before, retreat_loss=retreat_loss) is expected


def test_losses_that_are_rare_are_overrated() -> None:
    """Where few replies lose much more than the threshold, more is asked of one just beyond it."""
    masters, amateurs = (
        frame_of([0.02] * 60 + [0.10 + 0.01 * step for step in range(steps)] * 3) for steps in (8, 25)
    )

    assert overrated(masters, RankSettings()) == pytest.approx(NOISE**2 / 0.035)
    assert overrated(amateurs, RankSettings()) == pytest.approx(NOISE**2 / 0.12)
    assert overrated(masters[masters["loss"] >= 0.16], RankSettings()) == 0.0  # too few to tell
    least = [float(rows.loc[is_losing(rows, RankSettings()), "loss"].min()) for rows in (masters, amateurs)]
    assert least == pytest.approx([0.12, 0.11])


def frame_of(losses: list[float]) -> pd.DataFrame:
    rows = [LOSING | {"loss": loss, "loss_before": loss} for loss in losses]
    return pd.DataFrame(rows).astype({"retreat_loss": float})


def test_no_replies() -> None:
    """No rows give no answers, of the right kind."""
    none = pd.DataFrame([LOSING]).iloc[:0]

    assert is_losing(none, RankSettings()).dtype == bool
    assert len(is_losing(none, RankSettings())) == 0
