"""Which reader reads, and what is done where there is no core."""

from __future__ import annotations

import logging
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.core.library import Core, Visits
from miner.errors import UsageError
from miner.pgn import readers
from miner.pgn.readers import in_key_order, make_reader
from tests.reading import game_text, needs_compiled, read_in_memory


@pytest.fixture
def no_core(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine for which there is no core."""
    monkeypatch.setattr(readers, "core", lambda: None)
    readers._tell_that_it_takes_long.cache_clear()


@needs_compiled
def test_the_core_reads_where_it_can() -> None:
    """Other threads may read meanwhile."""
    assert make_reader("auto").is_compiled
    assert make_reader("compiled").is_compiled
    assert not make_reader("reference").is_compiled


def test_without_a_core_the_reference_reads(no_core: None, caplog: pytest.LogCaptureFixture) -> None:
    """It says so once, and that it takes long."""
    with caplog.at_level(logging.WARNING):
        games, moves = read_in_memory(game_text("1. e4 e5 2. Nf3 Nc6"))
        make_reader("auto")

    assert [game["state"] for game in games] == ["kept"]
    assert len(moves) == 4
    assert caplog.text.count("hundreds of times as long") == 1


def test_a_core_that_is_missing_is_told(no_core: None) -> None:
    """Whoever asks for it gets no other reader."""
    with pytest.raises(UsageError, match="not there for this machine"):
        make_reader("compiled")


def test_a_file_that_is_no_library(tmp_path: Path) -> None:
    """It cannot be loaded, which is no failure of the program."""
    (tmp_path / "libcore.so").write_bytes(b"of another machine")

    with pytest.raises(OSError, match="libcore"):
        Core(tmp_path / "libcore.so")


ROWS = st.lists(
    st.tuples(st.integers(0, 4), st.integers(0, 255), st.integers(0, 2**64 - 1), st.integers(0, 99))
)


@needs_compiled
@given(rows=ROWS, kept=st.lists(st.booleans(), min_size=5, max_size=5), shift=st.sampled_from([0, 30, 60]))
def test_order_of_rows(rows: list[tuple[int, int, int, int]], kept: list[bool], shift: int) -> None:
    """The leading half of the key decides, then the place; the core and numpy order alike."""
    visits = Visits(
        np.array([row[0] for row in rows], dtype=np.uint32),
        np.array([row[1] for row in rows], dtype=np.uint8),
        np.array([row[2] >> shift << shift for row in rows], dtype=np.uint64),
        np.array([row[3] for row in rows], dtype=np.uint16),
    )
    is_kept, numbers = np.array(kept), np.arange(100, 105, dtype=np.uint32)

    ordered = in_key_order(visits, is_kept, numbers)

    expected = sorted(
        ((key >> 32, at) for at, key in enumerate(visits.keys.tolist()) if kept[rows[at][0]]),
    )
    assert ordered.keys.tolist() == [int(visits.keys[at]) for _, at in expected]
    assert ordered.games.tolist() == [100 + rows[at][0] for _, at in expected]
    assert ordered.plies.tolist() == [rows[at][1] for _, at in expected]
    assert ordered.moves.tolist() == [rows[at][3] for _, at in expected]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(readers, "core", lambda: None)
        other = in_key_order(visits, is_kept, numbers)
    assert [column.tolist() for column in ordered] == [column.tolist() for column in other]
