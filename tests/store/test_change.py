"""Files that are made to last."""

from __future__ import annotations

from pathlib import Path

import pytest

from miner.store.change import replacing, settling


def test_settled_files_are_as_they_were_written(tmp_path: Path) -> None:
    """Files that are written without waiting and settled afterwards hold what was written."""
    paths = [tmp_path / name for name in ("one", "two")]

    with settling() as settle:
        for path in paths:
            with replacing(path, settled=False) as unfinished:
                unfinished.write_text(path.name)
            settle([path])

    assert [path.read_text() for path in paths] == ["one", "two"]
    assert sorted(tmp_path.iterdir()) == sorted(paths)


def test_what_cannot_be_settled_is_told(tmp_path: Path) -> None:
    """A file that is gone before it is settled is an error, not silence."""
    with pytest.raises(FileNotFoundError, match="gone"), settling() as settle:
        settle([tmp_path / "gone"])
