"""What is shown of losing replies, from a followed store."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import chess
import chess.pgn
import pytest

from miner.board.moves import pack
from miner.errors import StoreError, UsageError
from miner.finding import aftermath
from miner.follow.stage import follow
from miner.means import Means
from miner.store import Store
from tests.follow.stores import BEFORE, QUICK, judged_store
from tests.stores import board_after, key_after

REPLY = KEY, MOVE = key_after(BEFORE), pack(board_after(BEFORE).parse_san("g6"))


@pytest.fixture(scope="module")
def store(engine: Path, tmp_path_factory: pytest.TempPathFactory) -> Store:
    """The club's store, followed; not to be changed."""
    folder = tmp_path_factory.mktemp("views")
    store = judged_store(folder / "club")
    follow(store, QUICK, Means(engine=engine, cache=folder / "verdicts.sqlite"))
    return store


@pytest.mark.engine
def test_find_rates(store: Store) -> None:
    """8 of 10 at 1000-1199 take the rook, none of 5 at 800-999; what either scored is told."""
    told = {row["band"]: row for row in aftermath.find_rates(store).to_dict("records")}

    strong, weak = told["1000-1199"], told["800-999"]
    assert (strong["games"], strong["found"], strong["find_rate"]) == (10, 8, 0.8)
    assert strong["low"] < 0.8 < strong["high"]
    assert (strong["score_found"], strong["score_missed"]) == (5 / 8, 0.5)
    assert (weak["games"], weak["found"], weak["find_rate"], weak["score_missed"]) == (5, 0, 0.0, 0.0)
    assert weak["low"] < 0.01
    assert weak["score_found"] != weak["score_found"]  # nobody found it


@pytest.mark.engine
def test_leaks_in_san(store: Store) -> None:
    """3.Qxe5+ is missed, and after it three of eight do not take the rook."""
    told = {row["path_san"]: row for row in aftermath.leaks(store, REPLY).to_dict("records")}

    assert (told[""]["best_san"], told[""]["wrong_san"], told[""]["wrong"]) == ("Qxe5+", "Qf3", 7)
    later = told["Qxe5+ Be7"]
    assert (later["best_san"], later["wrong_san"], later["share_wrong"]) == ("Qxh8", "d4", 3 / 8)
    assert aftermath.leaks(store, (KEY + 1, MOVE)).empty


@pytest.mark.engine
def test_trends(store: Store) -> None:
    """One season is no trend."""
    [row] = aftermath.trends(store).to_dict("records")

    assert (row["key"], row["move"], row["trend"]) == (KEY, MOVE, "")


@pytest.mark.engine
def test_model_game_is_a_game_without_names(store: Store) -> None:
    """It reads back as PGN, the losing reply marked as a blunder, nobody named."""
    text = str(aftermath.model_game_pgn(store, REPLY))

    game = chess.pgn.read_game(io.StringIO(text))
    assert game is not None
    assert not game.errors
    assert (game.headers["White"], game.headers["Black"], game.headers["WhiteElo"]) == ("?", "?", "1100")
    nodes = list(game.mainline())
    assert [node.san() for node in nodes[:5]] == ["e4", "e5", "Qh5", "g6", "Qxe5+"]
    assert chess.pgn.NAG_BLUNDER in nodes[3].nags
    assert nodes[3].comment == "the losing reply"
    with pytest.raises(UsageError, match="there is no model game 9"):
        aftermath.model_game_pgn(store, REPLY, 9)


def model(**other: Any) -> dict[str, Any]:
    values = {
        "date": "2024.??.??",
        "result": "0-1",
        "winner_rating": 1700,
        "loser_rating": 0,
        "moves": "f2f3 e7e5 g2g4 d8h4",
        "reply_ply": 2,
        "moments": [3],
    }
    return values | other


def test_moments_and_ratings() -> None:
    """Black won: his rating stands with Black, his only good move is marked, and a mistake is no blunder."""
    game = aftermath.annotated(model(), loss=0.2)

    nodes = list(game.mainline())
    assert ("WhiteElo" in game.headers, game.headers["BlackElo"]) == (False, "1700")
    assert (nodes[2].nags, nodes[2].comment) == ({chess.pgn.NAG_MISTAKE}, "the losing reply")
    assert (nodes[3].nags, nodes[3].comment) == (
        {chess.pgn.NAG_GOOD_MOVE},
        "every other move is clearly worse",
    )


def test_losers_later_errors() -> None:
    """What the loser plays on the way is marked as a mistake; the punishment is named if it is no moment."""
    game = aftermath.annotated(model(reply_ply=0, moments=[2]), loss=0.5)

    nodes = list(game.mainline())
    assert nodes[1].comment == "the punishment"
    assert (nodes[2].nags, nodes[2].comment) == ({chess.pgn.NAG_MISTAKE}, "gives away more")


def test_stage_must_have_run(tmp_path: Path) -> None:
    """Each view says which stage is missing."""
    store = Store.create(tmp_path / "store")

    for view in (aftermath.find_rates, aftermath.leaks, aftermath.trends):
        with pytest.raises(StoreError, match="`follow` has not been run"):
            view(store)
    with pytest.raises(StoreError, match="`follow` has not been run"):
        aftermath.model_game_pgn(store, REPLY)
