"""A mistake of one game as a typed value."""

from __future__ import annotations

from dataclasses import asdict, fields

from miner.finding.moment import Moment
from miner.finding.motifs import rows_of
from miner.schema import FINDINGS, MOMENTS
from tests.finding.moments import queen_raid, table_of, told_moment


def test_fields_are_called_as_the_columns() -> None:
    """Who knows the value knows the table; lines are told in other words, so that they have other names."""
    names = {field.name for field in fields(Moment)}

    assert names - {*MOMENTS.names} == {"side", "best_line", "refutation", "shown"}
    assert {*MOMENTS.names} - names == {"move", "pv_best", "pv_reply", "pv_defence"}
    assert {"losing_reply", "losing_reply_uci", "best_move", "reason_detail", "loss"} <= names & {
        *FINDINGS.names
    }


def test_numbers_are_those_of_the_row() -> None:
    """What is told in other words aside: the best move and the answers are SAN in the value."""
    [row] = rows_of(table_of([queen_raid(found=False, found_best=None)]))

    told = asdict(told_moment(row))

    in_words = {"best_move", "answers", "played"}
    same = (told.keys() & row.keys()) - in_words
    assert {name: told[name] for name in same} == {name: row[name] for name in same} | {"kept": (1.0,)}
    assert told["answers"] == ("Qxe5+",)
