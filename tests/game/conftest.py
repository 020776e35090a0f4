"""The game that several tests look at."""

from __future__ import annotations

from pathlib import Path

import pytest

from miner.game.notes import Told
from tests.export.examples import finding
from tests.game.games import given, told_by


@pytest.fixture(scope="session")
def verdicts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Verdicts that the tests share, as their games do positions."""
    return tmp_path_factory.mktemp("game") / "verdicts.sqlite"


@pytest.fixture(scope="session")
def opera(verdicts: Path, engine: Path) -> Told:
    """OPERA, with the finding that it is a model of."""
    shown = finding(
        "e4 e5 Nf3 d6 d4 Bg4 dxe5 Bxf3 Qxf3 dxe5 Bc4 Nf6 Qb3 Qe7 Nc3 c6 Bg5",
        "b5",
        "Nxb5 cxb5 Bxb5+",
        "Qc7 a4 a6",
        reason_detail="wins a pawn",
        opening="Philidor Defence",
        eco="C41",
    )
    game = given(finding=shown, date="2024.03.01", winner_rating=1500, loser_rating=1200)
    return told_by(engine, verdicts, game)
