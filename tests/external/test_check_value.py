"""A tempo lost by force, as every coach knows it: 1.e4 e5 2.Nc3 Nf6 3.f4 exf4 4.e5 Ng8.

Source: common practice, no source. Black must strike back with 3...d5; after 3...exf4 the knight has
nothing better than the way home.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import chess
import pytest

from miner.board.moves import pack
from miner.settings import JudgeSettings
from miner.terms import Side
from tests.external.databases import FREQUENT, mine
from tests.external.published import Published

WAY = ("e4", "e5", "Nc3", "Nf6", "f4")
FIRST = JudgeSettings(nodes_in_all=20_000_000)
"""As by default, but that the judge stops after what comes first: the reply is in hundreds of games."""


@pytest.fixture(scope="module")
def findings(engine: Path, tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    """The findings about 3...exf4, a row per band, judged as by default."""
    board = chess.Board()
    way = tuple(board.push_san(san) for san in WAY)
    taking, striking = board.parse_san("exf4"), board.parse_san("d5")
    line = Published(id="vienna-exf4", way=way, reply=taking, best=striking, victim=Side.BLACK, loss=0.1)
    mined = mine([[line]], {line.id}, FIRST, engine, tmp_path_factory.mktemp("check-value"))
    return mined.findings.get((line.key, pack(taking)), [])


@pytest.mark.engine
def test_capture_that_sends_the_knight_home_loses_a_tempo(findings: list[dict[str, Any]]) -> None:
    """3...exf4 is reported in every band, as a tempo: 4.e5, and the knight must go back; 3...d5 was best."""
    assert len(findings) == 3, "three bands, each with its worth as a trap and as a pitfall"
    for finding in findings:
        assert finding["punish_value"] > 0.0
        assert finding["avoid_value"] > 0.0
        assert (finding["losing_reply"], finding["best_move"]) == ("exf4", "d5")
        assert finding["reason"] == "tempo"
        assert finding["reason_detail"] == "the knight must go back from f6 to g8"
        assert finding["refutation"].split()[:2] == ["e5", "Ng8"]
        assert finding["side"] == "white"


@pytest.mark.engine
def test_capture_is_counted_as_often_as_it_was_played(findings: list[dict[str, Any]]) -> None:
    """The games and players of the bands add up to those that were written."""
    assert sum(finding["games_at_position"] for finding in findings) == FREQUENT.games
    assert sum(finding["games_with_reply"] for finding in findings) == FREQUENT.with_reply
    assert sum(finding["players_with_reply"] for finding in findings) == FREQUENT.with_reply
