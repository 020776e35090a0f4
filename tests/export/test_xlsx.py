"""Workbooks, read back by another program."""

from __future__ import annotations

import io
import sys
import time
from typing import Any

import pytest

from miner.errors import ExportError
from miner.export.lists import CSV_COLUMNS
from miner.export.xlsx import findings_xlsx, xlsx_of
from tests.export.examples import legal, table, vienna

openpyxl = pytest.importorskip("openpyxl", reason="`make` installs it")


def sheet_of(contents: bytes) -> Any:
    return openpyxl.load_workbook(io.BytesIO(contents)).active


def test_numbers_are_numbers_and_text_is_text() -> None:
    """Values read back as they were, also where a text begins like a formula or a number."""
    sheet = sheet_of(findings_xlsx(table(vienna(opening="=1+1", eco="00012", key=0xBEEF), legal())))

    heading, first, second = ([cell.value for cell in row] for row in sheet.iter_rows())
    row = dict(zip(heading, first, strict=True))
    assert tuple(heading) == CSV_COLUMNS
    assert (row["opening"], row["eco"], row["key"]) == ("=1+1", "00012", "000000000000beef")
    assert (row["pick_rate"], row["games_with_reply"], row["gambit"]) == (0.35, 28, False)
    assert second[heading.index("observed_without_reply")] is None
    kinds = {cell.data_type for cell in sheet[2]}
    assert "f" not in kinds


def test_headings_stay_in_sight_and_columns_can_be_filtered() -> None:
    """As whoever opens it would set it up himself."""
    sheet = sheet_of(findings_xlsx(table(vienna(), legal())))

    assert sheet.freeze_panes == "A2"
    assert sheet.auto_filter.ref.startswith("A1:")
    assert sheet.auto_filter.ref.endswith("3")


def test_same_table_same_bytes() -> None:
    """Whenever it is written."""
    before = xlsx_of(table(vienna()))
    time.sleep(1.1)

    assert xlsx_of(table(vienna())) == before


def test_without_rows_there_are_headings() -> None:
    """No findings make no damaged file."""
    assert [cell.value for cell in sheet_of(findings_xlsx(table()))[1]] == list(CSV_COLUMNS)


def test_without_the_package_it_is_told_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The line can be copied."""
    monkeypatch.setitem(sys.modules, "xlsxwriter", None)

    with pytest.raises(ExportError, match=r'pip install "opening-mistake-miner\[xlsx\]"'):
        xlsx_of(table(vienna()))
