"""Counts spread over bands, players' habits, and the rates of an earlier database."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from miner.arrays import begins_run
from miner.tally.rates import Choices, Expected, earlier_rates, pool, spread

COUNTED = {
    "key": pa.array([5, 5, 5, 9], pa.uint64()),
    "move": pa.array([1, 1, 2, 1], pa.uint16()),
    "band": pa.array([0, 2, 2, 1], pa.uint8()),
    "games": pa.array([4, 6, 3, 7], pa.int64()),
    "games_squared": pa.array([4.0, 20.0, 3.0, 7.0]),
    "games_squared_at_position": pa.array([4.0, 33.0, 33.0, 7.0]),
}


def choices() -> Choices:
    return spread(pa.table(COUNTED), bands=3)


def earlier(*rows: tuple[int, int, int, int, int, float]) -> pa.Table:
    """Rows of key, move, place of the band, games, games at the position, pick rate."""
    names = ("key", "move", "place", "games", "games_at_position", "pick_rate")
    columns: dict[str, Any] = dict(zip(names, zip(*rows, strict=True), strict=True))
    return pa.table({name: list(values) for name, values in columns.items()}).cast(
        pa.schema(
            [
                ("key", pa.uint64()),
                ("move", pa.uint16()),
                ("place", pa.int32()),
                ("games", pa.int64()),
                ("games_at_position", pa.int64()),
                ("pick_rate", pa.float64()),
            ]
        )
    )


def expecting(found: Choices, table: pa.Table) -> Expected:
    """What an earlier database makes expect, and nothing else does."""
    base = earlier_rates(found, table)
    at_positions = np.add.reduceat(base, np.flatnonzero(begins_run(found.place)))
    knows = np.asarray(at_positions.sum(axis=1) > 0.0)
    none = np.zeros(0, dtype=np.int64)
    unseen = np.zeros((0, base.shape[1]), dtype=np.float32)
    return Expected(base, knows, none, none.astype(np.uint16), unseen)


def test_counts_are_spread_over_bands() -> None:
    """Rows by key, move and band become rows by reply, with a column for each band."""
    spread_out = choices()

    assert spread_out.keys.tolist() == [5, 5, 9]
    assert spread_out.chosen.tolist() == [[4, 0, 6], [0, 0, 3], [0, 7, 0]]
    assert spread_out.played[spread_out.place].tolist() == [[4, 0, 9], [4, 0, 9], [0, 7, 0]]
    assert spread_out.squared_there.tolist() == [[4.0, 0.0, 33.0], [0.0, 7.0, 0.0]]
    assert spread_out.row.tolist() == [0, 0, 1, 2]
    assert spread_out.played.ravel()[spread_out.cell].tolist() == [4, 9, 9, 7]


def test_rates_come_by_row_and_by_band() -> None:
    """Both ways to ask give the same distributions."""
    rates = pool(choices())

    by_row = rates.of_rows()[0].tolist()
    by_band = [rates.of_band(band)[0].tolist() for band in range(3)]

    assert by_row == [by_band[0][0], by_band[2][0], by_band[2][1], by_band[1][2]]


def test_habits_are_seen() -> None:
    """In band 2 one player's games agree more than those of different players: they count for less."""
    assert pool(choices()).player_correlation > 0.0


def test_earlier_rates_stand_by_reply_and_band() -> None:
    """What the earlier database knows comes as it is; other positions and replies are left out."""
    table = earlier((5, 1, 0, 30, 100, 0.3), (5, 7, 0, 70, 100, 0.7), (6, 1, 0, 5, 5, 0.9))

    rates = earlier_rates(choices(), table)

    assert rates[0, 0] == pytest.approx(0.3)
    assert rates[1].tolist() == [0.0, 0.0, 0.0]
    assert rates[2].tolist() == [0.0, 0.0, 0.0]


def test_a_band_the_earlier_database_lacks_has_the_share_of_all() -> None:
    """30 of 100 games for a band that was never there; at most one game's share for one that chose others."""
    table = earlier((5, 1, 0, 30, 60, 0.5), (5, 2, 0, 30, 60, 0.5), (5, 2, 1, 40, 40, 0.98))

    rates = earlier_rates(choices(), table)

    assert rates[0].tolist() == pytest.approx([0.5 * 0.999, 1 / 41, 0.3], abs=1e-3)


def test_an_earlier_database_changes_the_rates() -> None:
    """A reply that half choose there is rarer with it than without, although all our games have it."""
    there = [(5, 1, band, 600, 1000, 0.6) for band in (0, 2)]
    table = earlier(*there, (9, 1, 1, 500, 1000, 0.5), (9, 3, 1, 500, 1000, 0.49))

    plain, informed = pool(choices()), pool(choices(), expecting(choices(), table))

    means = []
    for rates in (plain, informed):
        successes, failures = rates.of_rows()
        means.append((successes / (successes + failures))[3])
    assert means[1] < means[0]


def drawn_choices(keys: range) -> pa.Table:
    """Twelve games at each of these positions, of one band, drawn from rates of its own; each by another."""
    rows: list[tuple[int, int, int]] = []
    for key in keys:
        random = np.random.default_rng(key)
        counts = random.multinomial(12, random.dirichlet(np.full(6, 0.5)))
        rows += [(key, move + 1, count) for move, count in enumerate(counts.tolist()) if count]
    keyed, move, games = (list(column) for column in zip(*rows, strict=True))
    squared = [float(count) for count in games]
    return pa.table(
        {
            "key": pa.array(keyed, pa.uint64()),
            "move": pa.array(move, pa.uint16()),
            "band": pa.array([1] * len(keyed), pa.uint8()),
            "games": pa.array(games, pa.int64()),
            "games_squared": squared,
            "games_squared_at_position": [12.0] * len(keyed),
        }
    )


def test_where_the_earlier_database_knows_nothing_it_says_nothing() -> None:
    """It foretells 60 positions; at 60 others, which it lacks, rates are those of a store of their own."""
    known, lacking = drawn_choices(range(60)), drawn_choices(range(60, 120))
    rates_there = [
        (key, move, 1, games * 100, 1_200, games / 12)
        for key, move, games in zip(
            *(known[name].to_pylist() for name in ("key", "move", "games")), strict=True
        )
    ]

    together = spread(pa.concat_tables([known, lacking]), bands=3)
    both = pool(together, expecting(together, earlier(*rates_there)))
    alone = pool(spread(lacking, bands=3))

    assert both.resemblance.common + both.resemblance.own < 0.05
    assert both.resemblance_where_unknown.common == pytest.approx(alone.resemblance.common, rel=0.02)
    for kept, wanted in zip(both.of_rows(), alone.of_rows(), strict=True):
        assert kept[known.num_rows :] == pytest.approx(wanted, rel=0.02)
