"""Imports go one way, and the public names are those that are listed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import miner
from miner import pipeline
from miner.cli.app import COMMANDS
from miner.store import STAGES, Store

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
        "TOO_EASY",
        "TOO_HARD",
        "Finding",
        "FollowSettings",
        "JudgeSettings",
        "Looks",
        "Means",
        "MinerError",
        "Moment",
        "Paper",
        "RankSettings",
        "ReadSettings",
        "ScanSettings",
        "Settings",
        "Side",
        "SteerSettings",
        "Store",
        "TallySettings",
        "Tongue",
        "diagram_svg",
        "find_engine",
        "is_losing",
        "load_settings",
        "mine",
        "pipeline",
        "sample",
        "stats",
        "words",
    ]
    assert pipeline.__all__ == [
        "Means",
        "StageDone",
        "check",
        "check_sources",
        "expected_minutes",
        "export",
        "follow",
        "judge",
        "rank",
        "read",
        "run",
        "scan",
        "tally",
    ]


def test_public_names_exist() -> None:
    """Each can be had, is documented, and stands in the listing of the package."""
    for name in miner.__all__:
        assert getattr(miner, name).__doc__, name
    for name in miner.words.__all__:
        assert getattr(miner.words, name).__doc__, name
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
    modules = ", ".join(f"miner.cli.{one}" for one in sorted(set(COMMANDS.values())))

    assert loaded_by(modules, "scipy.interpolate", "scipy.stats", "distributed", "fsspec") == "[]"


def test_only_stages_have_a_stage_file() -> None:
    """Whoever looks for what a stage does finds one file of that name for each stage, and no other."""
    found = {file.parent.name for file in (ROOT / "miner").rglob("stage.py")}

    assert found == set(STAGES)


def test_help_loads_no_command() -> None:
    """The list of commands comes without any of the libraries that work on games."""
    assert loaded_by_command(["--help"], *HEAVY, "chess", "numpy", "pyarrow", "tqdm") == "[]"


def test_typing_error_loads_no_command() -> None:
    """Nor does a command that does not exist, though one like it is named."""
    assert loaded_by_command(["statsu"], *HEAVY, "chess", "numpy", "pyarrow", "tqdm") == "[]"


def test_status_loads_what_a_store_needs(tmp_path: Path) -> None:
    """A look at a store starts without the libraries that count, judge and explain."""
    folder = Store.create(tmp_path / "store").root

    assert loaded_by_command(["status", "--store", str(folder)], *HEAVY) == "[]"


HEAVY = ("distributed", "duckdb", "fsspec", "pandas", "scipy", "tqdm")


def loaded_by_command(arguments: list[str], *heavy: str) -> str:
    """Which of the heavy libraries a new process has loaded once a command has ended."""
    program = (
        f"import sys, contextlib, miner.cli; sys.argv = {['miner', *arguments]}\n"
        "with contextlib.suppress(SystemExit), contextlib.redirect_stdout(sys.stderr): miner.cli.main()\n"
        f"print([one for one in {heavy} if one in sys.modules])"
    )
    return printed_by(program)


def loaded_by(modules: str, *heavy: str) -> str:
    """Which of the heavy libraries a new process has loaded once it has imported modules."""
    return printed_by(f"import sys, {modules}; print([one for one in {heavy} if one in sys.modules])")


def printed_by(program: str) -> str:
    """The output of a program in a new process."""
    told = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT
    )
    return told.stdout.strip()
