"""Imports go one way, and the public names are those that are listed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import miner
from miner import pipeline

ROOT = Path(__file__).resolve().parent.parent


def test_imports_go_one_way() -> None:
    """The contract in pyproject.toml holds: stages do not know each other, nor what is above them."""
    checker = Path(sys.executable).with_name("lint-imports")

    checked = subprocess.run([checker, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False)

    assert checked.returncode == 0, checked.stdout + checked.stderr
    assert "1 kept, 0 broken" in checked.stdout


def test_public_names() -> None:
    """What notebooks may rely on, and no more."""
    assert miner.__all__ == [
        "JudgeSettings",
        "Means",
        "MinerError",
        "RankSettings",
        "ReadSettings",
        "Settings",
        "Store",
        "TallySettings",
        "find_engine",
        "load_settings",
        "pipeline",
    ]
    assert pipeline.__all__ == [
        "Means",
        "StageDone",
        "check",
        "check_sources",
        "export",
        "follow",
        "judge",
        "rank",
        "read",
        "run",
        "tally",
    ]


def test_public_names_exist() -> None:
    """Each can be had, is documented, and stands in the listing of the package."""
    for name in miner.__all__:
        assert getattr(miner, name).__doc__, name
    for name in pipeline.__all__:
        assert getattr(pipeline, name).__doc__, name
    assert set(miner.__all__) <= set(dir(miner))


def test_other_names_do_not_exist() -> None:
    """A slip of the pen is told as such."""
    with pytest.raises(AttributeError, match="no attribute 'Setings'"):
        miner.Setings  # noqa: B018


def test_import_alone_loads_nothing() -> None:
    """`import miner` is cheap: the heavy libraries come with the first name that needs them."""
    assert loaded_by("miner", "duckdb", "pandas", "pyarrow", "scipy") == "[]"


def test_commands_load_nothing_that_few_need() -> None:
    """Each command starts without the slowest parts of scipy, and without what works on clusters."""
    assert loaded_by("miner.cli.app", "scipy.interpolate", "scipy.stats", "distributed", "fsspec") == "[]"


def loaded_by(module: str, *heavy: str) -> str:
    """Which of the heavy libraries a new process has loaded once it has imported a module."""
    program = f"import sys, {module}; print([one for one in {heavy} if one in sys.modules])"
    told = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT
    )
    return told.stdout.strip()
