"""Steered reach by hand: by any moves, and without our own unsound ones."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.board.moves import pack
from miner.graph.sound import Steered, Steps, share_of_games, sound_reach, steered_reach
from miner.graph.walk import edges_of
from miner.schema import JUDGED
from miner.settings import TallySettings
from miner.store import Manifest, Store
from tests.stores import (
    Game,
    board_after,
    finish,
    key_after,
    reach_after,
    replies_after,
    tallied_store,
    write_table,
)


def steered_along(edges: list[tuple[int, int, float, float]], positions: int) -> Steered:
    """Steered reach over edges (parent, child, rate, log variance), from position 0."""
    parents, children, rates, variances = zip(*edges, strict=True) if edges else ((), (), (), ())
    steps = Steps.between(np.array(parents, dtype=np.int64), np.array(children, dtype=np.int64), positions)
    of_steps = (np.array(values, dtype=np.float64)[steps.replies] for values in (rates, variances))
    return steered_reach(steps, *of_steps, start=0)


def test_rates_multiply_along_a_way() -> None:
    """Own move 1, opponent's 0.5, own move 1, opponent's 0.4: 0.2; the variances add up."""
    found = steered_along([(0, 1, 1.0, 0.0), (1, 2, 0.5, 0.01), (2, 3, 1.0, 0.0), (3, 4, 0.4, 0.02)], 5)

    assert found.reach.tolist() == pytest.approx([1.0, 1.0, 0.5, 0.5, 0.2])
    assert found.log_variance.tolist() == pytest.approx([0.0, 0.0, 0.01, 0.01, 0.03])


def test_best_way_counts_not_the_sum() -> None:
    """Of two ways into a position the likelier one is taken, with its own variance, whichever is longer."""
    short = [(0, 3, 0.3, 0.5)]
    long = [(0, 1, 0.9, 0.01), (1, 2, 1.0, 0.0), (2, 3, 0.5, 0.02)]

    found = steered_along([*short, *long], 4)

    assert found.reach[3] == pytest.approx(0.45)
    assert found.log_variance[3] == pytest.approx(0.03)


def test_position_without_a_way_has_no_reach() -> None:
    """What nothing leads to, or only a reply that leads out of the tally, is not reached."""
    found = steered_along([(0, -1, 1.0, 0.0), (1, 2, 1.0, 0.0)], 3)

    assert found.reach.tolist() == [1.0, 0.0, 0.0]


def test_circle_ends() -> None:
    """Moves to and fro, all of rate 1, neither raise a reach above 1 nor go on for ever."""
    found = steered_along([(0, 1, 1.0, 0.1), (1, 2, 1.0, 0.1), (2, 1, 1.0, 0.1), (2, 0, 1.0, 0.1)], 3)

    assert found.reach.tolist() == [1.0, 1.0, 1.0]
    assert found.log_variance.tolist() == pytest.approx([0.0, 0.1, 0.2])


def test_no_replies_reach_nothing_but_the_start() -> None:
    """Without replies there is the start."""
    assert steered_along([], 2).reach.tolist() == [1.0, 0.0]


RATES = st.sampled_from([1.0, 0.9, 0.5, 0.25])
EDGES = st.dictionaries(
    st.tuples(st.integers(0, 6), st.integers(-1, 6)), st.tuples(RATES, st.floats(0.0, 1.0)), max_size=25
)


@given(EDGES)
def test_steering_is_the_best_way_of_all(by_ends: dict[tuple[int, int], tuple[float, float]]) -> None:
    """Trying every reply in every round, until none betters a position, comes to the same."""
    edges = [(*ends, *by_ends[ends]) for ends in sorted(by_ends)]
    reach, variance = [1.0] + [0.0] * 6, [0.0] * 7
    for _ in range(7):
        before, told = list(reach), list(variance)
        for parent, child, rate, log_variance in edges:
            if child >= 0 and before[parent] * rate > reach[child]:
                reach[child], variance[child] = before[parent] * rate, told[parent] + log_variance

    found = steered_along(edges, 7)

    assert found.reach.tolist() == reach
    assert found.log_variance.tolist() == variance


WEAK, STRONG = 1100, 1900
GAMES = [
    # Of the weak band's games with Black after 1.e4 three in four answer 1...e5; the strong band never does.
    *[Game(moves="e4 e5 f4 exf4 h3", white_rating=STRONG, black_rating=WEAK)] * 2,
    Game(moves="e4 e5 Nf3 Nc6", white_rating=STRONG, black_rating=WEAK),
    Game(moves="e4 c5 Nf3 d6", white_rating=STRONG, black_rating=WEAK),
    *[Game(moves="e4 c5 Nf3 d6", white_rating=WEAK, black_rating=STRONG)] * 3,
    Game(moves="d4 d5 c4 e6", white_rating=WEAK, black_rating=STRONG),
] * 5


def test_plain_reach_is_a_share_of_the_bands_games_with_that_colour(tmp_path: Path) -> None:
    """Half of the weak band's games with Black reach the King's Gambit; the start is reached by all."""
    store = tallied_store(tmp_path, GAMES)

    assert reach_after(store, "e4 e5 f4")["1000-1199"]["plain_reach"] == 0.5
    assert reach_after(store, "")["1000-1199"]["plain_reach"] == 1.0
    assert reach_after(store, "e4")["1800-1999"]["plain_reach"] == 0.75
    assert set(reach_after(store, "e4 e5 f4")) == {"1000-1199"}


def test_steered_reach_takes_own_moves_for_granted(tmp_path: Path) -> None:
    """White plays 1.e4 and 2.f4 by choice: the reach of 1.e4 e5 2.f4 is the weak band's rate of 1...e5."""
    store = tallied_store(tmp_path, GAMES)
    rate = replies_after(store, "e4")["1000-1199", "e5"]["pick_rate"]

    gambit = reach_after(store, "e4 e5 f4")["1000-1199"]

    assert gambit["steered_reach"] == pytest.approx(rate)
    assert gambit["steered_reach"] > gambit["plain_reach"]
    assert gambit["steered_log_variance"] > 0.0


def test_steered_reach_multiplies_the_opponents_rates(tmp_path: Path) -> None:
    """Black steers to 1.e4 e5 2.f4 exf4: White's rates of 1.e4 and 2.f4 multiply, Black's are 1."""
    store = tallied_store(tmp_path, GAMES)
    e4 = replies_after(store, "")["1800-1999", "e4"]["pick_rate"]
    f4 = replies_after(store, "e4 e5")["1800-1999", "f4"]["pick_rate"]

    accepted = reach_after(store, "e4 e5 f4 exf4")["1800-1999"]

    assert accepted["steered_reach"] == pytest.approx(max(e4 * f4, 0.5), rel=1e-5)
    assert accepted["plain_reach"] == 0.5  # half of the strong band's games with White


def test_bands_have_rates_of_their_own(tmp_path: Path) -> None:
    """The strong band answers 1.e4 by 1...c5, the weak one mostly by 1...e5: so are they steered."""
    store = tallied_store(tmp_path, GAMES)

    sicilian = reach_after(store, "e4 c5 Nf3")

    assert sicilian["1800-1999"]["steered_reach"] > 2 * sicilian["1000-1199"]["steered_reach"]


def test_steered_reach_is_never_below_the_plain(tmp_path: Path) -> None:
    """A position that many ways lead to is steered to as often as it comes anyway."""
    ways = ["d4 Nf6 c4 e6 Nc3", "c4 e6 d4 Nf6 Nf3", "d4 e6 c4 Nf6 g3", "c4 Nf6 d4 e6 e3"]
    store = tallied_store(tmp_path, [Game(moves=moves) for moves in ways], TallySettings(min_games=4))

    reach = reach_after(store, "d4 Nf6 c4 e6")["unrated"]

    assert reach["plain_reach"] == reach["steered_reach"] == 1.0
    assert key_after("d4 Nf6 c4 e6") in store.read_table("positions")["key"].to_pylist()


UNSOUND_TOO = [
    # The trap 2.Qh5 g6 needs a queen's sortie; 2.Nf3 is the usual move.
    *[Game(moves="e4 e5 Qh5 g6 Qxe5", white_rating=1100, black_rating=1100)] * 2,
    *[Game(moves="e4 e5 Qh5 Nc6 Bc4", white_rating=1100, black_rating=1100)] * 2,
    *[Game(moves="e4 e5 Nf3 Nc6 Bc4", white_rating=1100, black_rating=1100)] * 5,
    *[Game(moves="e4 c5 Nf3 d6 d4", white_rating=1100, black_rating=1100)] * 3,
]
BAND = "1000-1199"


def judged_store(folder: Path, losses: dict[tuple[str, str], float]) -> Store:
    """A tallied store, and verdicts of our own on the moves: what each loses."""
    store = tallied_store(folder, UNSOUND_TOO)
    rows = []
    for (before, san), loss in losses.items():
        board = board_after(before)
        row = dict.fromkeys(JUDGED.names) | {
            "key": key_after(before),
            "fen": board.fen(),
            "move": pack(board.parse_san(san)),
            "nodes": 1,
            "best_move": "",
            "loss": loss,
            "nodes_before": 0,
            "wdl_best": [],
            "wdl_reply": [],
            "pv_best": [],
            "pv_reply": [],
            "retreat": "",
            "defences": [],
            "engine": "by hand",
            "state": "judged",
            "detail": "",
        }
        rows.append(row)
    write_table(store, "judged", pa.Table.from_pylist(rows, schema=JUDGED))
    finish(store, Manifest(stage="judge", settings={}, inputs={}, rows={"judged": len(rows)}, facts={}))
    return store


def steered(found: pd.DataFrame, moves: str) -> float:
    """Steered reach there."""
    [reach] = found.loc[(found["key"] == key_after(moves)) & (found["band"] == BAND), "steered_reach"]
    return float(reach)


def test_without_unsound_moves_nothing_changes(tmp_path: Path) -> None:
    """Where nothing is forbidden the numbers are the tally's own, to the last bit."""
    store = judged_store(tmp_path, {("e4 e5", "Qh5"): 0.03})
    reach = store.read_table("reach").to_pandas()

    found = sound_reach(store, 0.05)

    columns = ["key", "band", "steered_reach", "steered_log_variance"]
    pd.testing.assert_frame_equal(found, reach[columns])


def test_position_behind_an_unsound_move_is_not_reached(tmp_path: Path) -> None:
    """2.Qh5 loses more than we allow: what follows it does not arise, although it did in the games."""
    store = judged_store(tmp_path, {("e4 e5", "Qh5"): 0.2})

    found = sound_reach(store, 0.05)

    assert steered(found, "e4 e5 Qh5") == 0.0
    assert steered(found, "e4 e5 Nf3") == pytest.approx(replies_after(store, "e4")[BAND, "e5"]["pick_rate"])


def test_opponents_may_play_unsound_moves(tmp_path: Path) -> None:
    """A losing reply of the opponent is what we steer for: 2...g6 stays, for White as for Black."""
    store = judged_store(tmp_path, {("e4 e5 Qh5", "g6"): 0.4, ("e4", "c5"): 0.2})
    before = store.read_table("reach").to_pandas()

    found = sound_reach(store, 0.05)

    for moves in ("e4 e5 Qh5", "e4 c5 Nf3"):
        assert steered(found, moves) == steered(before, moves)
    assert steered(found, "e4 c5") == 0.0  # where White is to move Black has steered, with a forbidden move


def test_games_that_came_by_a_forbidden_move_do_not_count(tmp_path: Path) -> None:
    """Six games came to the attack on f7 by 2.Qh5, two by 2.Bc4; without 2.Qh5 two in eight are left."""
    games = [
        *[Game(moves="e4 e5 Qh5 Nc6 Bc4 g6", black_rating=1100)] * 6,
        *[Game(moves="e4 e5 Bc4 Nc6 Qh5 g6", black_rating=1100)] * 2,
    ]
    store = tallied_store(tmp_path, games)
    edges = edges_of(*(store.read_table(name) for name in ("positions", "replies", "edges")))
    sortie = edges.rows(
        np.array([key_after("e4 e5")], dtype=np.uint64),
        np.array([pack(board_after("e4 e5").parse_san("Qh5"))], dtype=np.uint16),
    )

    forbidden = np.isin(np.arange(len(edges.key)), sortie)
    share = share_of_games(edges, forbidden)

    assert edges.keys[edges.child[sortie]].tolist() == [key_after("e4 e5 Qh5")]
    assert share[edges.keys == key_after("e4 e5 Qh5 Nc6 Bc4")].tolist() == [0.25]
    assert share[edges.keys == key_after("e4 e5 Bc4")].tolist() == [1.0]
    assert share[edges.keys == key_after("e4 e5 Qh5")].tolist() == [0.0]
