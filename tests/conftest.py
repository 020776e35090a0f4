"""Fixtures that several stages' tests share."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import hypothesis
import pytest

from miner.errors import EngineNotFound
from miner.judge.engines import find_engine

# Started in the background, a shell has these tests ignore Ctrl-C, and the programs that they start as well.
signal.signal(signal.SIGINT, signal.default_int_handler)

# Nothing asserts on time: a busy machine is no failure.
hypothesis.settings.register_profile(
    "miner", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow]
)
hypothesis.settings.load_profile("miner")

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder of real games and published lists; tests that need it are skipped where it is absent."""
    folder = Path(os.environ.get("MINER_SHARED", ROOT.parent / "shared"))
    if not (folder / "data").is_dir():
        pytest.skip("no folder of real games (MINER_SHARED, or ../shared beside the project)")
    return folder


@pytest.fixture(scope="session")
def engine() -> Path:
    """A real UCI engine; tests that need it are skipped where there is none."""
    try:
        return find_engine()
    except EngineNotFound as error:
        pytest.skip(str(error))
