"""What followed a losing reply: answers, leaks, seasons, model games."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import chess
import chess.pgn
import numpy as np
import pandas as pd
import pytest
from scipy import stats as scipy_stats

from miner.board.moves import pack
from miner.errors import StoreError, UsageError
from miner.finding import aftermath
from miner.finding.aftermath import LEAK_COLUMNS, change_between, leaks_in, season_of, seasons_of
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
    assert (strong["taught"], strong["players"], weak["players"]) == (8, 10, 5)
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
    game = aftermath.annotated(model(), 0.2, ["d8h4"])

    nodes = list(game.mainline())
    assert ("WhiteElo" in game.headers, game.headers["BlackElo"]) == (False, "1700")
    assert (nodes[2].nags, nodes[2].comment) == ({chess.pgn.NAG_MISTAKE}, "the losing reply")
    assert (nodes[3].nags, nodes[3].comment) == (
        {chess.pgn.NAG_GOOD_MOVE},
        "every other move is clearly worse",
    )


def test_losers_later_errors() -> None:
    """What the loser plays on the way is marked as a mistake; only a good answer is the punishment."""
    game = aftermath.annotated(model(reply_ply=0, moments=[2]), 0.5, ["e7e5", "d7d5"])
    other = aftermath.annotated(model(reply_ply=0, moments=[2]), 0.5, ["d7d5"])

    nodes = list(game.mainline())
    assert nodes[1].comment == "the punishment"
    assert list(other.mainline())[1].comment == ""
    assert (nodes[2].nags, nodes[2].comment) == ({chess.pgn.NAG_MISTAKE}, "gives away more")


def test_stage_must_have_run(tmp_path: Path) -> None:
    """Each view says which stage is missing."""
    store = Store.create(tmp_path / "store")

    for view in (aftermath.find_rates, aftermath.leaks, aftermath.trends):
        with pytest.raises(StoreError, match="`follow` has not been run"):
            view(store)
    with pytest.raises(StoreError, match="`follow` has not been run"):
        aftermath.model_game_pgn(store, REPLY)


BEST, SECOND, POOR = "d1h5", "b1c3", "f1e2"


def packed(uci: str) -> int:
    return pack(chess.Move.from_uci(uci))


def row(answer: str, kept: float | None, **other: Any) -> dict[str, Any]:
    """A row of `followed`: right after the losing reply, the full gain being 0.4 of expected score."""
    values = {
        "key": 1,
        "move": 2,
        "at": 3,
        "fen": "fen",
        "plies": 0,
        "path": "",
        "answer": packed(answer),
        "best_move": BEST,
        "exp_best": 0.9,
        "exp_answer": None if kept is None else 0.5 + 0.4 * kept,
        "kept": kept,
    }
    return values | other


def chosen(answer: str, games: int, band: str = "1000-1199", at: int = 3) -> dict[str, Any]:
    return {"key": 1, "move": 2, "at": at, "answer": packed(answer), "band": band, "games": games}


def found(followed: list[dict[str, Any]], answers: list[dict[str, Any]], kept: float = 0.5) -> pd.DataFrame:
    return leaks_in(pd.DataFrame(followed), pd.DataFrame(answers), kept)


def test_share_that_goes_wrong_and_what_it_costs() -> None:
    """6 of 10 find the best move, 1 a good one, 3 keep a quarter: 0.3 of expected score lost each."""
    followed = [row(BEST, 1.0), row(SECOND, 0.8), row(POOR, 0.25)]
    answers = [chosen(BEST, 6), chosen(SECOND, 1), chosen(POOR, 3)]

    [leak] = found(followed, answers).to_dict("records")

    assert tuple(leak) == LEAK_COLUMNS
    assert (leak["games"], leak["wrong"], leak["share_wrong"]) == (10, 3, 0.3)
    assert leak["cost"] == pytest.approx(0.3)
    assert leak["cost_per_game"] == pytest.approx(0.09)
    assert (leak["best_move"], leak["commonest_wrong"]) == (BEST, packed(POOR))
    assert (leak["by_commonest"], leak["as_common"]) == (3, 1)


def test_moves_that_are_as_common() -> None:
    """Two of five go wrong in two games each, and none of them is the commonest."""
    answers = [chosen(BEST, 1), chosen(SECOND, 2), chosen(POOR, 2)]

    [leak] = found([row(BEST, 1.0), row(SECOND, 0.3), row(POOR, 0.25)], answers).to_dict("records")

    assert (leak["wrong"], leak["by_commonest"], leak["as_common"]) == (4, 2, 2)


def test_bands_add_up() -> None:
    """One band's players go wrong, another's do not."""
    followed = [row(BEST, 1.0), row(POOR, 0.0)]
    answers = [chosen(BEST, 4), chosen(POOR, 4, band="1800-1999")]

    assert found(followed, answers[:1]).empty
    assert found(followed, answers[1:])["share_wrong"].tolist() == [1.0]
    assert found(followed, answers)["share_wrong"].tolist() == [0.5]


def test_what_was_lost_before_is_not_this_moves_fault() -> None:
    """Where even the best move keeps little, a move that keeps nearly as much is no leak."""
    followed = [row(BEST, 0.55, exp_best=0.72), row(POOR, 0.45)]

    assert found(followed, [chosen(BEST, 5), chosen(POOR, 5)]).empty


def test_small_losses_later_are_noise() -> None:
    """Of a small gain a third is soon lost: later it is not told, right after the losing reply it is."""
    small = {"exp_best": 0.6, "exp_answer": 0.56}
    there, later = ([row(BEST, 1.0, plies=at, **small), row(POOR, 0.6, plies=at, **small)] for at in (0, 2))
    answers = [chosen(BEST, 5), chosen(POOR, 5)]

    assert len(found(there, answers, kept=0.75)) == 1
    assert found(later, answers, kept=0.75).empty


def test_nothing_leaks_where_nothing_is_left() -> None:
    """Who stood as before the losing reply and then loses a piece has another problem."""
    followed = [row(BEST, 0.0, exp_best=0.5), row(POOR, -0.9)]

    assert found(followed, [chosen(BEST, 5), chosen(POOR, 5)]).empty


def test_best_move_that_nobody_chose_is_still_known() -> None:
    """All go wrong; the move to be taught is the best one."""
    followed = [row(POOR, 0.1), row(BEST, 1.0)]

    [leak] = found(followed, [chosen(POOR, 8)]).to_dict("records")

    assert (leak["share_wrong"], leak["best_move"], leak["kept_by_best"]) == (1.0, BEST, 1.0)


def test_answers_that_were_not_judged_do_not_count() -> None:
    """What is too rare to be judged is neither right nor wrong."""
    followed = [row(BEST, 1.0), row(POOR, 0.0), row(SECOND, None)]

    [leak] = found(followed, [chosen(BEST, 5), chosen(POOR, 4), chosen(SECOND, 1)]).to_dict("records")

    assert (leak["games"], leak["wrong"]) == (9, 4)


def test_costliest_comes_first() -> None:
    """Order is by what a game there costs on average, not by how often they go wrong."""
    followed = [row(BEST, 1.0), row(POOR, 0.45), row(BEST, 1.0, at=4), row(POOR, -1.0, at=4)]
    answers = [chosen(BEST, 5), chosen(POOR, 5), chosen(BEST, 7, at=4), chosen(POOR, 3, at=4)]

    assert found(followed, answers)["at"].tolist() == [4, 3]


def test_stricter_share() -> None:
    """Who wants three quarters kept finds more leaks."""
    followed = [row(BEST, 1.0), row(POOR, 0.6)]
    answers = [chosen(BEST, 5), chosen(POOR, 5)]

    assert found(followed, answers, kept=0.5).empty
    assert len(found(followed, answers, kept=0.75)) == 1


def test_nothing_followed() -> None:
    """Empty tables give an empty one with its columns."""
    followed, answers = pd.DataFrame([row(BEST, 1.0)]).iloc[:0], pd.DataFrame([chosen(BEST, 1)]).iloc[:0]

    told = leaks_in(followed, answers, 0.5)

    assert (len(told), tuple(told.columns)) == (0, LEAK_COLUMNS)


@pytest.mark.parametrize(
    ("year", "month", "starts", "season"),
    [
        (2024, 8, 8, "2024/25"),
        (2025, 7, 8, "2024/25"),
        (1999, 12, 8, "1999/00"),
        (2024, 5, 1, "2024"),
        (2024, 0, 1, "2024"),  # where seasons are calendar years, the year is enough
        (2024, 0, 8, ""),
        (2024, 13, 8, ""),
    ],
)
def test_season_of_a_date(year: int, month: int, starts: int, season: str) -> None:
    """A season is named by the two years it lies in."""
    assert season_of(year, month, starts) == season


def months(*rows: tuple[int, int, int, int]) -> pd.DataFrame:
    """Counts of one losing reply: year, month, games, games with the reply."""
    table = pd.DataFrame(rows, columns=["year", "month", "games", "with_reply"])
    return table.assign(key=1, move=2)


def test_months_are_added_up() -> None:
    """September and May are one season; a game without a month is left out."""
    found = seasons_of(months((2024, 9, 30, 10), (2025, 5, 10, 2), (2024, 0, 5, 5)), 8, confidence=0.9)

    [row] = found.to_dict("records")
    assert (row["season"], row["games_at_position"], row["games_with_reply"]) == ("2024/25", 40, 12)
    assert row["share"] == 0.3
    assert row["share_low"] == pytest.approx(scipy_stats.beta(12.5, 28.5).ppf(0.05))
    assert row["share_high"] == pytest.approx(scipy_stats.beta(12.5, 28.5).ppf(0.95))


def test_no_dates_no_seasons() -> None:
    """A database without months has an empty table with all columns."""
    found = seasons_of(months((2024, 0, 5, 5)), 8, confidence=0.9)

    assert len(found) == 0
    assert "share_high" in found.columns


def test_a_mistake_dies_out() -> None:
    """20 of 40 and then 4 of 40 is no chance; the p-value is that of the test by hand."""
    change = change_between([("2023/24", 40, 20), ("2024/25", 40, 4)])

    assert (change.trend, change.before, change.last) == ("falling", "2023/24", "2024/25")
    assert change.p == pytest.approx(scipy_stats.fisher_exact(np.array([[4, 36], [20, 20]])).pvalue)


def test_order_and_small_seasons_do_not_matter() -> None:
    """The last two seasons with enough games are compared, in their own order."""
    change = change_between([("2025/26", 3, 3), ("2024/25", 50, 40), ("2022/23", 50, 1), ("2023/24", 50, 10)])

    assert (change.trend, change.before, change.last) == ("rising", "2023/24", "2024/25")


def test_chance_is_no_trend() -> None:
    """10 and 12 of 40 are the same for all we know; one season is no trend at all."""
    assert change_between([("2023/24", 40, 10), ("2024/25", 40, 12)]).trend == "steady"
    assert change_between([("2024/25", 40, 12)]).trend == ""
    assert change_between([]).p is None


def test_tea_tasting() -> None:
    """Fisher's own table of four and four cups, three guessed right: p is 0.486 (two-sided).

    Source: R. A. Fisher, The Design of Experiments (1935), chapter II, from memory: 34 of 70.
    """
    change = change_between([("2023", 4, 1), ("2024", 4, 3)], enough=4)

    assert change.p == pytest.approx(34 / 70)
