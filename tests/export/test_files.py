"""Files outside the store."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from miner.errors import ExportError, UsageError
from miner.export.formats import check_targets, write_file


def test_written_with_its_folder(tmp_path: Path) -> None:
    """Missing folders are made, and nothing but the file stands there afterwards."""
    target = tmp_path / "club" / "evening" / "list.csv"

    write_file(target, b"fen\r\n")

    assert target.read_bytes() == b"fen\r\n"
    assert [one.name for one in target.parent.iterdir()] == ["list.csv"]


def test_file_in_the_way_of_a_folder(tmp_path: Path) -> None:
    """The error tells what is in the way, and advises as the caller wants it."""
    (tmp_path / "club").write_text("here")

    with pytest.raises(ExportError, match="a file stands where its folder should be") as caught:
        write_file(tmp_path / "club" / "list.csv", b"", advice="name a folder you may write to")

    assert caught.value.advice == "name a folder you may write to"
    assert (tmp_path / "club").read_text() == "here"


def test_no_folder_is_made_if_a_suffix_is_wrong(tmp_path: Path) -> None:
    """All suffixes are looked at before the first folder is made."""
    with pytest.raises(UsageError, match=r"the suffix '\.xls' names no format"):
        check_targets([tmp_path / "club" / "list.csv", tmp_path / "list.xls"], (".csv",))

    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_link_is_followed(tmp_path: Path) -> None:
    """The file that it points to is written, be it there or not, and the link stays."""
    (there := tmp_path / "there").mkdir()
    (there / "old.csv").write_text("old")
    for name in ("old.csv", "new.csv"):
        (link := tmp_path / name).symlink_to(there / name)

        check_targets([link], (".csv",))
        write_file(link, b"new")

        assert link.is_symlink()
        assert (there / name).read_bytes() == b"new"
    assert sorted(file.name for file in there.iterdir()) == ["new.csv", "old.csv"]
