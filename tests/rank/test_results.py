"""What games show of losing replies, on a store of few games and on counted ones."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from miner.curve.fit import Curve, Curves
from miner.rank.results import chosen_moves, part_observed, part_punished, seen_parts
from miner.terms import UNRATED
from tests.stores import Game, key_after, replies_after, tallied_store

BAND = "1000-1199"
RULE = Curve(BAND, "engine", 0.0, ("level", "pawns", "gap"), np.array([0.0, 0.5, 2.3]), np.zeros((3, 3)))
CURVES = Curves({BAND: RULE})
LOSING = pd.DataFrame([{"key": 1, "move": 2, "cp_best": 0, "cp_reply": -100}])
JUDGED = LOSING.assign(state="judged", loss=0.12)


def counted(move: int, score: float, *, games: int = 200_000, gap: float = 0.0) -> dict[str, Any]:
    """A row of `chosen_moves`: results of win and loss alone."""
    scatter = games * score * (1.0 - score)
    numbers = {"games": games, "points": games * score, "scatter": scatter, "gap": gap}
    return {"key": 1, "move": move, "band": BAND, "gap_scatter": 0.0, "both_scatter": 0.0} | numbers


def level(cp: float, gap: float = 0.0) -> float:
    return float(RULE.expected(cp, gap))


def test_the_others_are_those_who_played() -> None:
    """They chose a move that loses half a pawn: half a pawn more costs all that the curve says."""
    judged = pd.concat([JUDGED, JUDGED.assign(move=3, cp_reply=-50)])
    chosen = pd.DataFrame([counted(2, level(-100)), counted(3, level(-50))])

    assert part_observed(chosen, LOSING, judged, CURVES).mean == pytest.approx(1.0, abs=0.1)


def test_weaker_players_are_no_dearer_reply() -> None:
    """Those who chose it are 100 points weaker and score so much less: the reply costs what it costs."""
    chosen = pd.DataFrame([counted(2, level(-100, -100.0), gap=-100.0), counted(3, level(0))])

    told = part_observed(chosen, LOSING, JUDGED, CURVES)

    assert told.of(LOSING)[0][0] == pytest.approx(1.0, abs=0.02)


def test_finders_against_missers() -> None:
    """Who punishes it scores as the curve has it, who does not as if nothing had happened."""
    rows = [counted(2, level(100)) | {"found": True}, counted(2, level(0)) | {"found": False}]

    told = part_punished(pd.DataFrame(rows), LOSING, CURVES)

    assert told.of(LOSING)[0][0] == pytest.approx(1.0, abs=0.02)


def later(reply_cp: float, other_cp: float, *, each: int = 400) -> pd.DataFrame:
    """Games as of `later_games`: what the engine says of those with the reply, and of others."""
    random = np.random.default_rng(1)
    rows = pd.DataFrame({"key": 1, "move": 2, "chosen": np.repeat([2, 3], each), "game": np.arange(2 * each)})
    cp = np.where(rows["chosen"] == 2, reply_cp, other_cp) + random.normal(0.0, 60.0, len(rows))
    found = (rows["game"] % 2 == 0).astype(object).where(rows["chosen"] == 2)
    return rows.assign(cp=cp, found=found, band=BAND, band_other=BAND, gap=0.0, score=0.5)


def test_evaluations_later_on_tell_what_results_cannot() -> None:
    """Of ten games that say nothing and four hundred in which nothing is lost nine plies later: no gain.

    But where many results say that such advantages do not count, they do not.
    """
    few = pd.DataFrame([counted(2, 0.5, games=10), counted(3, 0.5, games=10)])
    many = pd.DataFrame([counted(2, level(-20)), counted(3, level(0))])

    alone = part_observed(few, LOSING, JUDGED, CURVES)
    kept = part_observed(few, LOSING, JUDGED, CURVES, later(-100.0, 0.0))
    gone = part_observed(few, LOSING, JUDGED, CURVES, later(0.0, 0.0))
    held = part_observed(many, LOSING, JUDGED, CURVES, later(-100.0, 0.0))

    assert alone.by_later is None
    assert kept.of(LOSING)[0][0] > alone.of(LOSING)[0][0] + 0.1
    assert gone.of(LOSING)[0][0] < 0.3
    assert gone.of(LOSING)[1][0] < alone.of(LOSING)[1][0] / 2
    assert held.of(LOSING)[0][0] == pytest.approx(0.2, abs=0.05)
    assert held.by_later is not None
    assert held.by_later.factor == pytest.approx(0.25, abs=0.1)


def test_moves_are_counted_with_ratings(tmp_path: Path) -> None:
    """Two games with 1...e5 by players 100 points stronger, one of them won, and one by who is not rated."""
    rated = {"white_rating": 1100, "black_rating": 1200}
    games = [Game(moves="e4 e5", result=result, **rated) for result in ("0-1", "1-0")]  # type: ignore[arg-type]
    store = tallied_store(tmp_path, [*games, Game(moves="e4 e5", result="1/2-1/2")])
    place = pd.DataFrame({"key": np.array([key_after("e4")], dtype=np.uint64)})

    found = chosen_moves(store, place, store.bands).set_index("band")

    assert set(found.index) == {"1200-1399", UNRATED}
    told = found[["games", "points", "gap", "scatter"]].to_dict("index")["1200-1399"]
    assert told == {"games": 2, "points": 1.0, "gap": 100.0, "scatter": 0.5}
    assert found.loc[UNRATED, "points"] == 0.5
    assert ("1200-1399", "e5") in replies_after(store, "e4")


def test_nothing_loses(tmp_path: Path) -> None:
    """Without a losing reply the parts are those that are expected beforehand; only clear losses count."""
    store = tallied_store(tmp_path, [Game(moves="e4 e5")])

    for judged in (JUDGED.assign(loss=0.04), JUDGED.assign(state="inconclusive")):
        told = seen_parts(store, judged, CURVES, store.bands)
        assert told.gain.mean == pytest.approx(1.0)
        assert told.punished is None
