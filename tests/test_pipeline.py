"""All stages in order, from a script or a notebook."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from miner.errors import SourceError, UsageError
from miner.means import Means
from miner.mined import mine
from miner.pipeline import StageDone, expected_minutes, run
from miner.settings import JudgeSettings, RankSettings, ScanSettings, Settings, TallySettings, with_effort
from miner.store import Store
from tests.stores import Game, pgn_of

QUICK = Settings(
    tally=TallySettings(min_games=2), judge=JudgeSettings(nodes=(300, 1_000), min_games=3, min_players=1)
)
# 1.e4 e5 2.Bc4 Nc6 3.Qh5 Nf6 4.Qxf7 is mate.
GAMES = [
    Game(moves="e4 e5 Bc4 Nc6 Qh5 Nf6 Qxf7", black=name) for name in ("Anna", "Bert", "Carl", "Dora", "Emil")
]


@pytest.fixture
def source(tmp_path: Path) -> str:
    file = tmp_path / "games.pgn"
    file.write_text(pgn_of(GAMES), encoding="utf-8")
    return str(file)


@pytest.fixture
def means(tmp_path: Path, engine: Path) -> Means:
    return Means(engine=engine, cache=tmp_path / "cache", engines=1, processes=1)


def stages(source: str, store: Store, settings: Settings, means: Means) -> list[tuple[str, bool]]:
    done = run([source], store, settings, means)
    return [(one.manifest.stage, one.was_current) for one in done]


@pytest.mark.engine
def test_stages_in_order_and_only_what_changed(source: str, tmp_path: Path, means: Means) -> None:
    """The first run does all, the second nothing, one with other settings what depends on them."""
    store = Store.create(tmp_path / "store")
    names = ["read", "tally", "judge", "scan", "follow", "rank"]

    first = stages(source, store, QUICK, means)
    second = stages(source, store, QUICK, means)
    for_white = Settings(tally=QUICK.tally, judge=QUICK.judge, rank=RankSettings(side="white"))
    third = stages(source, store, for_white, means)

    assert first == [(name, False) for name in names]
    assert second == [(name, True) for name in names]
    assert third == [*((name, True) for name in names[:-1]), ("rank", False)]
    assert "Nf6" in store.read_table("findings")["losing_reply"].to_pylist()


@pytest.mark.engine
def test_what_was_finished_is_kept(source: str, tmp_path: Path, means: Means) -> None:
    """Whoever stops after the second stage has two stages."""
    store = Store.create(tmp_path / "store")
    finished: list[StageDone] = []

    def stop(done: StageDone) -> None:
        finished.append(done)
        if len(finished) == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run([source], store, QUICK, means, on_done=stop)

    assert [one.manifest.stage for one in finished] == ["read", "tally"]
    assert store.manifest("tally") is not None
    assert store.manifest("judge") is None


def test_unknown_band_is_told_at_once(source: str, tmp_path: Path) -> None:
    """Nothing is read for a ranking that cannot be."""
    store = Store.create(tmp_path / "store")
    wrong = Settings(rank=RankSettings(bands=("1000-1100",)))
    means = Means(engine=Path("unused"), cache=tmp_path / "cache")

    with pytest.raises(UsageError, match="no band is called 1000-1100"):
        run([source], store, wrong, means)

    assert store.manifest("read") is None


def test_settings_of_one_stage_are_none_of_all(source: str, tmp_path: Path) -> None:
    """It is told how to write it, before anything is made."""
    wrong: Any = TallySettings()

    with pytest.raises(UsageError, match=r"not TallySettings; write Settings\(tally=TallySettings\(...\)\)"):
        mine(source, tmp_path / "store", wrong)

    assert not (tmp_path / "store").exists()


def test_missing_source(tmp_path: Path) -> None:
    """A source that is not there ends the run before it begins."""
    means = Means(engine=Path("unused"), cache=tmp_path / "cache")

    with pytest.raises(SourceError, match=r"none\.pgn"):
        list(
            run(
                [str(tmp_path / "none.pgn")],
                Store.create(tmp_path / "store"),
                QUICK,
                means,
            )
        )


@pytest.mark.engine
def test_minutes_grow_with_the_effort(means: Means) -> None:
    """A hundred times the nodes and games take longer; without a limit nobody knows."""
    usual, night = (expected_minutes(with_effort(Settings(), effort), means) for effort in (1, 100))

    assert usual
    assert night
    assert 0 < usual[0] < night[0]
    assert 0 < usual[1] < night[1]
    assert expected_minutes(Settings(scan=ScanSettings(games=0)), means) is None
