"""Tables as workbooks for spreadsheets."""

from __future__ import annotations

import io
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import pyarrow as pa

from miner.distribution import with_extra
from miner.errors import ExportError
from miner.export.lists import CSV_COLUMNS, DECIMALS, SHARE_DECIMALS
from miner.finding.words import plain

_NARROWEST, _WIDEST, _LOOKED_AT = 8, 40, 50
_ALWAYS = {"created": datetime(1980, 1, 1)}  # so that the same table gives the same bytes


def findings_xlsx(findings: pa.Table) -> bytes:
    """Findings as a workbook; see `xlsx_of`."""
    return xlsx_of(findings.select(CSV_COLUMNS))


def xlsx_of(table: pa.Table) -> bytes:
    """A table as a workbook with one sheet: the headings stay in sight, and each column can be filtered.

    Numbers are numbers, with as many decimals shown as the CSV has; text is text, whatever it begins with.
    The key is 16 hexadecimal digits. The same table gives the same bytes.
    Raises ExportError without the package that writes workbooks.
    """
    try:
        import xlsxwriter
    except ImportError as error:
        raise ExportError(
            "workbooks need the package xlsxwriter, which is not installed", advice=with_extra("xlsx")
        ) from error
    file = io.BytesIO()
    with xlsxwriter.Workbook(file, {"in_memory": True}) as book:
        book.set_properties(_ALWAYS)
        sheet = book.add_worksheet("miner")
        rows = [[_value(name, value) for name, value in row.items()] for row in table.to_pylist()]
        sheet.write_row(0, 0, table.column_names, book.add_format({"bold": True}))
        for at, row in enumerate(rows, start=1):
            for column, value in enumerate(row):
                _write(sheet, at, column, value)
        for column, (name, kind) in enumerate(zip(table.column_names, table.schema.types, strict=True)):
            decimals = DECIMALS.get(name, SHARE_DECIMALS)
            look = {"num_format": f"0.{'0' * decimals}"} if pa.types.is_floating(kind) else {}
            sheet.set_column(column, column, _width(name, rows, column), book.add_format(look))
        sheet.freeze_panes(1, 0)
        if table.num_columns:
            sheet.autofilter(0, 0, len(rows), table.num_columns - 1)
    return file.getvalue()


def _value(name: str, value: Any) -> Any:
    if name == "key":
        return f"{value:016x}"
    if isinstance(value, list):
        return " ".join(map(str, value))
    return plain(value) if isinstance(value, str) else value


def _write(sheet: Any, row: int, column: int, value: Any) -> None:
    by_kind: Mapping[type, Any] = {bool: sheet.write_boolean, str: sheet.write_string}
    if value is not None:
        by_kind.get(type(value), sheet.write_number)(row, column, value)


def _width(name: str, rows: list[list[Any]], column: int) -> int:
    longest = max(
        (len(str(row[column])) for row in rows[:_LOOKED_AT] if isinstance(row[column], str)), default=0
    )
    return min(_WIDEST, max(_NARROWEST, len(name) + 2, longest))
