"""What the checks against published facts share."""

from __future__ import annotations

from pathlib import Path

import pytest

from miner.errors import EngineNotFound
from miner.judge.engines import find_engine


@pytest.fixture(scope="session")
def engine() -> Path:
    """A real UCI engine; tests that need it are skipped where there is none."""
    try:
        return find_engine()
    except EngineNotFound as error:
        pytest.skip(str(error))
