"""Lines, chapters and coverage of an opening with a real engine."""

from __future__ import annotations

from pathlib import Path

import pytest

from miner.course.contents import Course
from miner.course.lines import chapters_of, covered, in_order, left_out, lines_of, worth_of
from miner.course.words import coverage_sentence, way_words
from miner.means import Means
from miner.settings import SteerSettings
from miner.steer import Advice, advise
from miner.terms import Side
from tests.stores import Game, tallied_store

pytestmark = pytest.mark.engine

PLAYED = {
    "e4 e5 Nf3 Nc6 Bc4 Bc5 c3 Nf6 d3 d6": 40,
    "e4 e5 Nf3 d6 Bc4 Be7 d3 Nf6 O-O O-O": 30,
    "e4 e5 Nf3 f6 Nxe5 fxe5 Qh5 Ke7 Qxe5": 29,
    "e4 e5 Nf3 a6 Nxe5 Qe7 d4 d6": 1,
}


@pytest.fixture(scope="module")
def advice(tmp_path_factory: pytest.TempPathFactory, engine: Path) -> Advice:
    """White after 1.e4 e5 2.Nf3; 2...f6 gives much away, 2...a6 was played once."""
    folder = tmp_path_factory.mktemp("lines")
    games = [
        Game(moves=moves, white_rating=1100, black_rating=1100)
        for moves, count in PLAYED.items()
        for _ in range(count)
    ]
    return advise(
        tallied_store(folder, games),
        Side.WHITE,
        "1000-1199",
        SteerSettings(nodes=1000, min_games=3, draws=20),
        Means(engine=engine, cache=folder / "cache"),
        start="e4 e5 Nf3",
    )


def test_chapters_are_the_frequent_replies_by_worth(advice: Advice) -> None:
    """2...f6 comes least often of the three, but is worth most; 2...a6 is left out."""
    root = lines_of(advice)

    chapters = in_order(advice, chapters_of(root))
    rare, _ = left_out(root, 100)

    assert way_words(advice, chapters[0]) == "1.e4 e5 2.Nf3 f6"
    assert "1.e4 e5 2.Nf3 a6" in [way_words(advice, one) for one in rare]
    assert not any(way_words(advice, one).startswith("1.e4 e5 2.Nf3 a6") for one in chapters)
    value, price = worth_of(advice, chapters[0])
    assert 0.0 < price < value < 1.0


def test_no_game_is_in_two_chapters(advice: Advice) -> None:
    """No chapter's line begins with another's, and with what is left out the shares make one."""
    root = lines_of(advice)
    chapters = chapters_of(root)

    lines = [one.line for one in chapters]
    assert not any(a != b and b[: len(a)] == a for a in lines for b in lines)
    ends = sum(end.share for end in root.ends)
    for most in (0, 1, 100):
        rare, others = left_out(root, most)
        assert ends + sum(one.share for one in rare) + others == pytest.approx(1.0)
        assert len(rare) <= most


def test_coverage_falls_and_is_told(advice: Advice) -> None:
    """Nothing that left the course comes back."""
    root = lines_of(advice)

    curve = covered(root)
    shares = [share for _, share, _ in curve]

    assert shares == sorted(shares, reverse=True)
    assert 0.9 < shares[0] <= 1.0
    sentence = coverage_sentence(Course(advice=advice, root=root, chapters=()))
    assert " of 100 games to move " in sentence
    assert "to their ends, " in sentence
