"""The demo: the sample's games, or a word where they are not."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from miner import mined
from miner.cli import demo
from miner.settings import JudgeSettings, Settings, SteerSettings
from tests.cli.conftest import Told

Miner = Callable[..., Told]


def test_demo_makes_a_list_and_files(
    miner: Miner, games: Path, engine: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From games to all files and the first finding on a board; here with few games and nodes."""
    (games.parent / "team.csv").write_text("name,group\nAnna,first team\n", encoding="utf-8")
    monkeypatch.setattr(mined, "_SAMPLES", (games.parent,))
    quick = Settings(judge=JudgeSettings(nodes=(500, 2_000, 4_000)), steer=SteerSettings(plies=8, nodes=500))
    monkeypatch.setattr(demo, "SETTINGS", quick)
    monkeypatch.setattr(demo, "COMMENT_NODES", 500)
    monkeypatch.setattr(demo, "BAND", "800-999")
    monkeypatch.setattr(demo, "OPENING", "1.e4 e5 2.Qh5")

    told = miner("demo", "--out", tmp_path, "--cache", tmp_path / "cache", "--engine", engine)

    assert (told.code, told.err) == (0, "")
    files = [f"findings{suffix}" for suffix in (".csv", ".parquet", ".pgn", ".epd")]
    files += ["report.html", "lesson/pupil.pdf", "plan/plan.ics", "pupils/group.html", "advice.pgn"]
    files += ["course/course.html", "course/course.pgn"]
    assert [name for name in files if not (tmp_path / name).is_file()] == []
    assert " with comments, " in told.out  # on model games in the report
    assert "Mistakes of players of all bands" in told.out
    assert "Refutation" in told.out  # the first finding on its card


def test_sample_is_missing(miner: Miner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the sample the demo says where to run it."""
    monkeypatch.setattr(mined, "_SAMPLES", (tmp_path,))

    told = miner("demo", "--out", tmp_path / "out")

    assert (told.code, told.err.count("\n")) == (1, 1)
    assert "install the program again" in told.err
