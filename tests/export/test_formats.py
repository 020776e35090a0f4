"""Files are written whole, together or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from miner.errors import ExportError, UsageError
from miner.export.formats import FORMATS, export
from tests.export.examples import legal, table, vienna


def test_all_formats(tmp_path: Path) -> None:
    """Each suffix gets its format, in a folder that is made; nothing else is left there."""
    targets = [tmp_path / "new" / "folder" / f"findings{suffix}" for suffix in FORMATS]

    export(table(vienna(), legal()), targets)

    assert sorted(targets[0].parent.iterdir()) == sorted(targets)
    for target in targets:
        assert target.read_bytes() == FORMATS[target.suffix](table(vienna(), legal()))


def test_same_findings_same_bytes(tmp_path: Path) -> None:
    """A second export of the same findings changes no byte."""
    targets = [tmp_path / f"findings{suffix}" for suffix in FORMATS]

    export(table(vienna(), legal()), targets)
    first = [target.read_bytes() for target in targets]
    export(table(vienna(), legal()), targets)

    assert [target.read_bytes() for target in targets] == first


def test_every_format_is_read_back() -> None:
    """Another module of these tests looks into the files of each."""
    others = [path for path in Path(__file__).parent.glob("test_*.py") if path.name != Path(__file__).name]
    texts = "".join(path.read_text(encoding="utf-8") for path in others)

    assert [make.__name__ for make in FORMATS.values() if f"{make.__name__}(" not in texts] == []


def test_upper_case_suffix(tmp_path: Path) -> None:
    """The suffix may be in capitals."""
    export(table(vienna()), [tmp_path / "FINDINGS.PGN"])

    assert (tmp_path / "FINDINGS.PGN").read_text().startswith("[Event")


@pytest.mark.parametrize("name", ["findings.xls", "findings"])
def test_unknown_suffix(tmp_path: Path, name: str) -> None:
    """One unknown suffix, and nothing is written; the error lists the formats."""
    with pytest.raises(UsageError, match=r"suffix.*\.csv, \.parquet, \.pgn, \.epd") as caught:
        export(table(vienna()), [tmp_path / "a" / "findings.csv", tmp_path / name])

    assert str(tmp_path / name) in str(caught.value.where)
    assert list(tmp_path.iterdir()) == []


def test_folder_cannot_be_made(tmp_path: Path) -> None:
    """Where a file stands in the way of a folder, nothing is written."""
    (tmp_path / "file").write_text("here")

    with pytest.raises(ExportError, match="cannot be written"):
        export(table(vienna()), [tmp_path / "findings.csv", tmp_path / "file" / "findings.pgn"])

    assert [one.name for one in tmp_path.iterdir()] == ["file"]


def test_target_is_a_folder(tmp_path: Path) -> None:
    """A folder is no file to write, whatever its name."""
    (tmp_path / "findings.csv").mkdir()

    with pytest.raises(ExportError, match="it is a folder"):
        export(table(vienna()), [tmp_path / "findings.csv"])


def test_disk_refuses(tmp_path: Path) -> None:
    """An error on the way names the target and leaves the old file as it was."""
    target = tmp_path / ("n" * 250 + ".csv")  # the temporary name is longer than a file system allows
    target.write_text("old")

    with pytest.raises(ExportError, match="cannot be written"):
        export(table(vienna()), [target])

    assert target.read_text() == "old"
