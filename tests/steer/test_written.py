"""What is told of a tree of moves, which is written by hand."""

from __future__ import annotations

import chess

from miner.board.moves import pack
from miner.settings import SteerSettings
from miner.steer.advice import Advice
from miner.steer.expectimax import (
    BandReply,
    Choice,
    OurPosition,
    TheirPosition,
    Tree,
    engine_worth,
    value,
)
from miner.steer.tallied import TalliedPosition, TalliedTree
from miner.steer.written import advice_table
from miner.terms import Side
from tests.stores import board_after

E4, D4, E5, D5, C5, NF3 = (
    pack(chess.Move.from_uci(uci)) for uci in ("e2e4", "d2d4", "e7e5", "d7d5", "c7c5", "g1f3")
)
START, AFTER_E4, AFTER_D4, AFTER_D5 = range(4)


def advice_on(tree: Tree, confidence: float = 0.0) -> Advice:
    """Advice for White from the start of the game, by the engine's rule."""
    worth = engine_worth(20)
    ways = {START: "", AFTER_E4: "e4", AFTER_D4: "d4", AFTER_D5: "e4 d5"}
    return Advice(
        side=Side.WHITE,
        band="1000-1199",
        root=START,
        first_moves=(),
        valued=value(tree, START, worth, draws=20, losing=0.1, confidence=confidence),
        worth=worth,
        tallied=TalliedTree(
            positions={key: TalliedPosition(board_after(way).fen(), "") for key, way in ways.items()},
            played={},
            strength={},
            judged={},
        ),
        settings=SteerSettings(draws=20),
        curve="engine",
    )


def test_no_share_of_a_move_s_value_is_above_the_whole() -> None:
    """Half the band lose a pawn; the others do better than the verdict said, so the move gains less."""
    tree: Tree = {
        START: OurPosition(0, (Choice(E4, 0, 0.0, child=AFTER_E4),)),
        AFTER_E4: TheirPosition(
            0,
            (BandReply(E5, 0.5, 50, cp=200), BandReply(D5, 0.5, 50, child=AFTER_D5)),
            strength=100.0,
            games=100,
        ),
        AFTER_D5: OurPosition(-60, (Choice(NF3, -60, 0.0),)),
    }

    row = advice_on(tree).choices.iloc[0]

    assert 0.0 < row["value"] - row["price"] < 0.13
    assert row["traps"] == "e4 e5 (100%)"


def test_why_the_highest_bound_is_not_recommended() -> None:
    """Three games against three hundred: told with both numbers."""
    tree: Tree = {
        START: OurPosition(0, (Choice(E4, 0, 0.0, child=AFTER_E4), Choice(D4, 0, 0.0, child=AFTER_D4))),
        AFTER_D4: TheirPosition(2, (), 3.0, games=3),
        AFTER_E4: TheirPosition(
            0,
            (BandReply(E5, 0.1, 30, cp=60), BandReply(C5, 0.9, 270, cp=0)),
            strength=20.0,
            games=300,
        ),
    }
    advice = advice_on(tree, confidence=0.9)

    table = " ".join(advice_table(advice, top=1, width=100).split())

    best = advice.choices.iloc[0]
    assert (best["move"], best["instead_of"]) == ("e4", "d4")
    assert "by its value: the least of 1.d4 (50.3) is higher, but rests on 3 games, this on 300" in table
