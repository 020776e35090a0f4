"""A report with comments on model games."""

from __future__ import annotations

from pathlib import Path

import pytest

from miner.errors import UsageError
from miner.game.commented import commented_report, comments_of
from miner.game.notes import Told
from miner.means import Means
from tests.export.examples import legal
from tests.game.games import NODES
from tests.report.stores import contents_of, legal_model, written_store


def test_what_is_said_of_each_move(opera: Told) -> None:
    """Signs and sentences by ply, each stop at the ply of its answer, and how much was searched."""
    comments = comments_of(opera, NODES)

    by_ply = {one.ply: one for one in comments.beside}
    assert list(by_ply) == sorted(by_ply)
    assert [ply for ply, one in by_ply.items() if one.ask] == [22, 26, 30]
    assert by_ply[30].sign == "!!"
    mate = by_ply[30].ask
    assert mate is not None
    assert (mate.name, mate.question, mate.hint) == (
        "Stop 3",
        "White mates in 2. How?",
        "Look at the checks.",
    )
    assert mate.answer == "16.Qb8+ Nxb8 17.Rd8#. No other move mates as soon."
    assert "Three stops: before moves 12, 14 and 16." in comments.introduction
    assert "10,000 nodes a position" in comments.introduction


def test_nothing_gives_an_answer_away(opera: Told) -> None:
    """Until it is made, neither a comment nor a question or hint names it."""
    beside = comments_of(opera, NODES).beside

    for stop in opera.stops:
        before = " ".join(one.said for one in beside if one.ply < stop.ply)
        [ask] = [one.ask for one in beside if one.ply == stop.ply and one.ask]
        assert stop.answer not in f"{before} {ask.question} {ask.hint}"


def test_games_of_the_first_findings(tmp_path: Path, engine: Path) -> None:
    """As many as are asked for and there are have comments, without anybody's name."""
    other = legal_model(game=1, winner_rating=1200)
    store = written_store(tmp_path, [legal()], {"model_games": [legal_model(moments=[]), other]})

    written = commented_report(
        store, tmp_path / "report.html", 2, Means(engine=engine, cache=tmp_path / "cache"), nodes=500
    )

    [mistake] = contents_of(tmp_path / "report.html")["mistakes"]
    assert written.games == 1
    assert [bool(model["comments"]) for model in mistake["models"]] == [False, True]
    assert written.size_bytes == (tmp_path / "report.html").stat().st_size


def test_none_needs_no_engine(tmp_path: Path) -> None:
    """The report is that of `miner report` as it always was."""
    store = written_store(tmp_path, [legal()], {"model_games": [legal_model()]})

    written = commented_report(store, tmp_path / "report.html", 0, Means(engine=tmp_path / "no engine"))

    assert written.games == 0


def test_wrong_target_is_told_before_an_engine_works(tmp_path: Path) -> None:
    """Not after minutes of searches."""
    store = written_store(tmp_path, [legal()], {"model_games": [legal_model()]})

    with pytest.raises(UsageError, match=r"\.html"):
        commented_report(store, tmp_path / "report.pdf", 1, Means(engine=tmp_path / "no engine"))
