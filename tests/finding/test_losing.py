"""Which judged replies are losing: by score, into mate, by tempo; and what only one search says."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from miner.finding.losing import is_losing
from miner.settings import RankSettings

LOSING: dict[str, Any] = {
    "cp_best": 20,
    "cp_reply": -150,
    "loss": 0.25,
    "nodes_before": 400_000,
    "loss_before": 0.22,
    "retreat_loss": None,
    "state": "judged",
}


def losing(settings: RankSettings | None = None, /, **other: Any) -> bool:
    """Whether a reply is losing: by default one that loses 0.25, and lost 0.22 at the budget before."""
    row = pd.DataFrame([LOSING | other]).astype({"retreat_loss": float, "loss": float, "loss_before": float})
    return bool(is_losing(row, settings or RankSettings()).iloc[0])


@pytest.mark.parametrize(
    ("loss", "before", "expected"),
    [
        (0.25, 0.22, True),
        (0.10, 0.05, True),  # just the threshold, and just half of it before
        (0.0999, 0.09, False),
        (0.25, 0.0499, False),  # only the last search says so
        (0.0, 0.25, False),
    ],
)
def test_by_score(loss: float, before: float, expected: bool) -> None:
    """It loses the threshold, and half of it at the budget before."""
    assert losing(loss=loss, loss_before=before) is expected


def test_one_search_is_not_enough() -> None:
    """What the screen alone says is not shown."""
    assert not losing(nodes_before=0, loss_before=None)


def test_inconclusive_is_not_losing() -> None:
    """A verdict that could not be had is none."""
    assert not losing(state="inconclusive")
    assert not losing(state="inconclusive", loss=None, cp_best=None, cp_reply=None, loss_before=None)


def test_threshold_can_be_chosen() -> None:
    """A coach of stronger players may ask for less; the share to hold goes with it."""
    assert losing(RankSettings(loss_threshold=0.06), loss=0.07, loss_before=0.03)
    assert not losing(RankSettings(loss_threshold=0.3), loss=0.25)
    assert not losing(RankSettings(hold_share=1.0), loss=0.25, loss_before=0.09)


def test_into_mate() -> None:
    """A reply that is mated where the best move is not counts in a lost position, too."""
    lost = {"cp_best": -1_200, "loss": 0.001, "loss_before": 0.001}

    assert losing(cp_reply=-9_998, **lost)
    assert not losing(cp_reply=-2_500, **lost)


def test_mate_either_way_is_no_mistake() -> None:
    """Who is mated whatever he plays has lost nothing by this move."""
    assert not losing(cp_best=-9_990, cp_reply=-9_998, loss=0.0, loss_before=0.0)


def test_mate_that_only_one_search_saw() -> None:
    """A mate must show some loss at the budget before."""
    assert not losing(cp_best=-1_200, cp_reply=-9_998, loss=0.001, loss_before=0.0)
    assert not losing(cp_best=-1_200, cp_reply=-9_998, loss=0.001, nodes_before=0, loss_before=None)


@pytest.mark.parametrize(
    ("loss", "before", "retreat_loss", "expected"),
    [
        (0.06, 0.03, 0.12, True),
        (0.05, 0.025, 0.10, True),
        (0.06, 0.03, 0.09, False),  # another move than home is nearly as good: not forced
        (0.06, 0.02, 0.12, False),
        (0.04, 0.04, 0.12, False),
        (0.06, 0.03, None, False),
    ],
)
def test_by_tempo(loss: float, before: float, retreat_loss: float | None, expected: bool) -> None:
    """Half the loss is enough where a piece is sent home by force."""
    assert losing(loss=loss, loss_before=before, retreat_loss=retreat_loss) is expected


def test_no_replies() -> None:
    """No rows give no answers, of the right kind."""
    none = pd.DataFrame([LOSING]).iloc[:0]

    assert is_losing(none, RankSettings()).dtype == bool
    assert len(is_losing(none, RankSettings())) == 0
