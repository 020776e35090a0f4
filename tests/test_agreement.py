"""Whether predictions agree with what games show, on games whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.agreement import Predicted, agreement, signs
from benchmarks.replication import Compared
from tests.test_replication import drawn


def claimed(claim: float, truth: float, *, doubt: float = 0.0, pairs: int = 120, seed: int = 5) -> Compared:
    """Replies of which so much is claimed, and that really cost `truth`."""
    some = drawn(claim, truth, pairs=pairs, seed=seed)
    told = some.pairs.assign(
        band=np.where(np.arange(pairs) % 2 == 0, "800-999", "1000-1199"),
        claim=claim,
        claim_own=0.0,
        claim_common=doubt,
    )
    return Compared(told, some.games)


def off_by(some: Compared) -> list[float]:
    """By how many standard deviations each group is off."""
    return [float(one.split()[0]) for one in agreement(some)["off by"]]


def test_true_predictions_agree_in_all_groups() -> None:
    """All, both bands and the thirds of the list are within three standard deviations of 0.15."""
    table = agreement(claimed(0.15, 0.15))

    assert table.index.tolist() == [
        "all", "band 800-999", "band 1000-1199", "first third", "second third", "last third",
    ]  # fmt: skip
    assert table["findings"].tolist() == [120, 60, 60, 40, 40, 40]
    assert max(map(abs, off_by(claimed(0.15, 0.15)))) < 3.0


def test_wrong_predictions_do_not() -> None:
    """Where nothing is lost 0.15 is off by many; who is in doubt by as much is not refuted."""
    assert off_by(claimed(0.15, 0.0))[0] < -5.0
    assert off_by(claimed(0.15, 0.0, doubt=0.15))[0] > -2.0


def test_the_error_of_a_sum() -> None:
    """What all have in common does not average out; what each has for itself does."""
    weight = np.full(100, 0.01)
    told = Predicted(np.zeros(100), np.full(100, 0.1), np.zeros(100))
    shared = Predicted(np.zeros(100), np.zeros(100), np.full(100, 0.1))

    assert told.error(weight) == pytest.approx(0.01)
    assert shared.error(weight) == pytest.approx(0.1)


def test_signs_are_as_right_as_true_predictions_would_have_them() -> None:
    """In nearly all samples, by a test that nearly always notices if nothing is lost."""
    told, wrong = (
        [signs(claimed(0.15, truth, pairs=50, seed=seed), draws=200) for seed in range(8)]
        for truth in (0.15, 0.0)
    )

    assert sum(one.holds for one in told) >= 6
    assert min(one.power for one in told) > 0.9
    assert sum(one.holds for one in wrong) <= 2
    assert "right sign: " in told[0].words()
