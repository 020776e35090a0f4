"""Claims are read as they are written, and held against games and engine."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import chess
import pytest

from miner.board.moves import pack
from miner.course.claims import FALSE, TRUE, UNKNOWN, answer_of, read_claims
from miner.errors import UsageError
from miner.means import Means
from miner.settings import SteerSettings
from miner.steer import Advice, advise
from miner.steer.tallied import Judged
from miner.terms import Side
from tests.stores import Game, key_after, tallied_store

pytestmark = pytest.mark.engine


@pytest.fixture(scope="module")
def advice(tmp_path_factory: pytest.TempPathFactory, engine: Path) -> Advice:
    """Of 24 games 20 take on c4; 4...Ng8 is judged to lose a tenth of a point and more."""
    folder = tmp_path_factory.mktemp("claims")
    games = [
        *[Game(moves="d4 d5 c4 dxc4 e3", white_rating=1100, black_rating=1100)] * 20,
        *[Game(moves="d4 d5 c4 e6 Nc3", white_rating=1100, black_rating=1100)] * 4,
    ]
    found = advise(
        tallied_store(folder, games),
        Side.WHITE,
        "1000-1199",
        SteerSettings(nodes=500, min_games=3, draws=20),
        Means(engine=engine, cache=folder / "cache"),
        start="d4 d5 c4",
    )
    key = key_after("d4 d5 c4")
    judged = {
        _move("d5c4"): Judged(-30, -35, 1_000_000, ("e7e6",), ("d5c4",)),
        _move("e7e6"): Judged(-30, -130, 1_000_000, ("e7e6",), ("e7e6",)),
        _move("c7c5"): Judged(-30, -130, 10_000, ("e7e6",), ("c7c5",)),
    }
    return replace(found, tallied=replace(found.tallied, judged={key: judged}))


def _move(uci: str) -> int:
    return pack(chess.Move.from_uci(uci))


@pytest.mark.parametrize(
    ("claim", "verdict", "says"),
    [
        ("1.d4 d5 2.c4: most take", TRUE, "20 of 24 games"),
        ("1.d4 d5 2.c4: most play e6", FALSE, "4 of 24 games"),
        ("1.d4 d5 2.c4: most castle", FALSE, "0 of 24 games"),
        ("1.d4 d5 2.c4: dxc4 is bad", FALSE, "gives away 0.01 of a point"),
        ("1.d4 d5 2.c4: dxc4 is good", TRUE, "chose 2...dxc4 in 20 of 24 games"),
        ("1.d4 d5 2.c4: e6 is a mistake", TRUE, "(1,000,000 nodes)"),
        ("1.d4 d5 2.c4: c5 is bad", UNKNOWN, "a first look only"),
        ("1.d4 d5 2.c4: h5 is bad", UNKNOWN, "No engine has looked at it"),
        ("1.h4 h5: most take", UNKNOWN, "Too few games"),
        ("1.d4 d5 2.c4: it is drawish", UNKNOWN, "can be asked for less"),
    ],
)
def test_claim_is_true_or_not_or_not_to_be_told(advice: Advice, claim: str, verdict: str, says: str) -> None:
    """With how often and how sure."""
    [read] = read_claims(f"# of the club\n\n{claim}.\n")

    answer = answer_of(read, advice)

    assert answer.verdict == verdict
    assert says in answer.why


def test_half_of_few_games_is_not_to_be_told(advice: Advice) -> None:
    """Beyond 2...dxc4 3.e3 there is no move, behind 2...e6 there are four games only."""
    [claim] = read_claims("1.d4 d5 2.c4 e6: most play Nc3")

    assert answer_of(claim, advice).verdict == UNKNOWN


def test_moves_that_cannot_be_played_are_told_with_their_line() -> None:
    """The second line of two."""
    with pytest.raises(UsageError, match="line 2 of the claims cannot be played"):
        read_claims("1.e4: e5 is good\n1.e4 e6 2.Ke3: most take\n")
