"""Findings as lists for other programs: CSV for spreadsheets, Parquet and JSON with everything."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import asdict
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from miner.finding.finding import Finding, findings_of
from miner.finding.moment import Moment
from miner.finding.words import plain
from miner.schema import FINDINGS

_NOT_IN_CSV = ("wdl_best", "wdl_reply", "pattern", "best_line")
CSV_COLUMNS = tuple(name for name in FINDINGS.names if name not in _NOT_IN_CSV)

SHARE_DECIMALS = 4
DECIMALS = {
    "plain_reach": 6,
    "steered_reach": 6,
    "points_per_100": 3,
    "points_per_100_low": 3,
    "costs": 3,
    "costs_low": 3,
    "teaching_value": 3,
    "teaching_value_low": 3,
    "games_per_player": 2,
}

# What a spreadsheet takes for the beginning of a formula; also after a semicolon, since some countries'
# spreadsheets split the line there. The wide forms count as well in East Asian editions.
FORMULA = re.compile(r"(^|;\s*)(?=[=+\-@＝＋－＠])")


def csv_bytes(findings: pa.Table) -> bytes:
    """Findings as CSV; see `csv_of`."""
    return csv_of(findings.select(CSV_COLUMNS))


def csv_of(table: pa.Table) -> bytes:
    """A table as CSV: UTF-8, a header line, lines that end in CR LF.

    The key is 16 hexadecimal digits, since spreadsheets round numbers of more than 15. Shares have 4
    decimals, reach 6, points 3; what is not known is empty. In text, an apostrophe keeps a spreadsheet
    from taking `=`, `+`, `-` or `@` at the beginning for a formula.

    Source: RFC 4180 (quoting, line ends); OWASP, CSV Injection (first characters), both from memory.
    """
    text = io.StringIO(newline="")
    lines = csv.writer(text, lineterminator="\r\n")
    lines.writerow(table.column_names)
    for row in table.to_pylist():
        lines.writerow(_cell(name, value) for name, value in row.items())
    return text.getvalue().encode()


def _cell(name: str, value: Any) -> str:
    if value is None:
        return ""
    if name == "key":
        return f"{value:016x}"
    if isinstance(value, str):
        return defused(value)
    if isinstance(value, float):
        decimals = DECIMALS.get(name, SHARE_DECIMALS)
        return f"{round(value, decimals) + 0.0:.{decimals}f}"  # + 0.0 makes -0.0 a plain zero
    return str(value)


def defused(text: str) -> str:
    """Text from outside as a cell that no spreadsheet takes for a formula.

    >>> defused("=1+1")
    "'=1+1"
    """
    return FORMULA.sub(r"\1'", plain(text))


def json_bytes(findings: pa.Table) -> bytes:
    """Findings as JSON: a list of objects with all fields of `Finding`, see `as_plain`."""
    return json_of([as_plain(finding) for finding in findings_of(findings)])


def as_plain(told: Finding | Moment) -> dict[str, Any]:
    """The fields of a finding as JSON takes them: lines are lists of moves, the key is 16 hexadecimal digits.

    Numbers are whole, not rounded; what is not known is null. Of a moment nothing is told of who played it.
    """
    fields = asdict(told) | {"key": f"{told.key:016x}"}
    return {name: value for name, value in fields.items() if name not in _WHO}


_WHO = ("player", "player_other")


def json_rows(table: pa.Table) -> bytes:
    """The rows of a table as JSON, by the names of its columns."""
    return json_of(table.to_pylist())


def json_of(value: Any) -> bytes:
    r"""JSON in ASCII, so that no text of a game can turn a terminal's colours or direction.

    >>> json_of([{"opening": "Grünfeld"}])
    b'[\n {\n  "opening": "Gr\\u00fcnfeld"\n }\n]\n'
    """
    return (json.dumps(value, indent=1, allow_nan=False) + "\n").encode("ascii")


def parquet_bytes(findings: pa.Table) -> bytes:
    """All columns of findings as Parquet, each with what it is."""
    return parquet_of(findings.cast(FINDINGS))


def parquet_of(table: pa.Table) -> bytes:
    """A table as Parquet; the same bytes for any chunks."""
    sink = pa.BufferOutputStream()
    pq.write_table(table.combine_chunks(), sink, compression="zstd")
    contents: bytes = sink.getvalue().to_pybytes()
    return contents
