"""Findings for another side or other bands than they were ranked for."""

from __future__ import annotations

from pathlib import Path

import pytest

from miner.rank import asked
from miner.rank.asked import asked_findings
from miner.rank.stage import rank, ranked
from miner.schema import FINDINGS
from miner.settings import RankSettings, Taught
from miner.store import Store
from tests.rank.test_stage import INTO_MATE, INTO_SMOTHERED_MATE, judged_store

SIDES: tuple[Taught, ...] = ("white", "black")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """Two mistakes of Black, ranked for both sides and all bands."""
    store = judged_store(tmp_path, [INTO_MATE, INTO_SMOTHERED_MATE])
    rank(store, RankSettings())
    return store


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("name", ["findings", "missed"])
def test_one_side_sees_what_was_ranked_for_both(
    side: Taught, name: str, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its list is that of a ranking for it alone, and nothing is ranked or explained again."""
    again = ranked(store, RankSettings(side=side)).tables[name]
    monkeypatch.setattr(asked, "ranked", None)

    seen = asked_findings(store, side=side, missed=name == "missed")

    assert seen.to_pylist() == again.to_pylist()
    assert seen.schema.equals(FINDINGS)


def test_order_is_that_of_the_side(store: Store) -> None:
    """What is worth more to punish is not what is worth more to avoid: each side has its own first."""
    values = {"punish_value": [0.2, 0.1], "avoid_value": [0.1, 0.2]}
    table = store.read_table("findings")
    for name, numbers in values.items():
        at = table.schema.get_field_index(name)
        table = table.set_column(at, table.field(at), [numbers])

    white, black = (asked.seen_by(table, side).to_pylist() for side in SIDES)

    assert [row["teaching_value"] for row in white] == [row["teaching_value"] for row in black] == [0.2, 0.1]
    assert [row["key"] for row in white] == [row["key"] for row in reversed(black)]


def test_other_bands_are_ranked_again(store: Store) -> None:
    """Rates of bands together are no sum of theirs."""
    bands = ("1200-1399",)

    rows = asked_findings(store, bands=bands)

    assert rows.equals(ranked(store, RankSettings(bands=bands)).tables["findings"])
    assert {*rows["band"].to_pylist()} == {*bands}
