"""Likely replies that nobody has played yet and that lose, from the tally to the list, with a real engine."""

from __future__ import annotations

from pathlib import Path

import chess
import pyarrow as pa
import pytest

from miner.board.moves import pack
from miner.export.choice import export_lists
from miner.export.unplayed import unplayed_of
from miner.judge.stage import judge
from miner.means import Means
from miner.rank.stage import rank
from miner.schema import FORESEEN
from miner.settings import JudgeSettings, RankSettings
from tests.stores import Game, key_after, tallied_store, write_table

pytestmark = pytest.mark.engine
OPENING = "e4 e5 Nf3"


def test_a_likely_blunder_is_told_before_anybody_makes_it(tmp_path: Path, engine: Path) -> None:
    """2...Qg5 loses the queen: it is listed with its rate; 2...Nc6, as unplayed, is fine, and is not."""
    games = [Game(moves=f"{OPENING} d6 d4", white=f"W{n}", black=f"B{n}") for n in range(6)]
    store = tallied_store(tmp_path, games)
    likely = [("d8g5", 0.2), ("b8c6", 0.3)]
    rows = [
        {
            "key": key_after(OPENING),
            "band": "unrated",
            "move": pack(chess.Move.from_uci(uci)),
            "pick_rate": rate,
        }
        for uci, rate in likely
    ]
    write_table(store, "foreseen", pa.Table.from_pylist(rows, schema=FORESEEN))
    judge(store, JudgeSettings(nodes=(1000, 5000)), Means(engine=engine, cache=tmp_path / "verdicts"))
    rank(store, RankSettings())

    told = unplayed_of(store).to_pylist()

    [row] = told
    assert (row["path"], row["losing_reply"], row["games"]) == (OPENING, "Qg5", 0)
    assert (row["band"], row["pick_rate"], row["refutation"].split()[0]) == ("unrated", 0.2, "Nxg5")
    assert row["loss"] > 0.3
    assert row["costs"] == pytest.approx(100 * row["steered_reach"] * 0.2 * row["loss"])
    [written] = export_lists(store, [tmp_path / "unplayed.csv"])
    assert written.words == "1 unplayed mistake"
    assert "Qg5" in (tmp_path / "unplayed.csv").read_text("utf-8")
