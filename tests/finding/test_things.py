"""The few things that are taught first."""

from __future__ import annotations

import pytest

from miner.finding.things import LEAST_WORTH, Thing, first_things, is_worth_teaching, things_heading
from miner.reasons import Pattern
from miner.terms import ALL_BANDS, Kind
from tests.export.examples import first_move, legal, vienna
from tests.finding.moments import HIGH, known_motifs, moment_row, queen_raid, scholar

MOTIFS = known_motifs(
    [
        *(queen_raid(game, found=game % 2 == 0) for game in range(8)),
        *(scholar(game, found=game % 2 == 0) for game in range(20, 26)),
    ]
)


def names(things: list[Thing]) -> list[str]:
    return [thing.name for thing in things]


def test_motifs_and_positions_by_turns() -> None:
    """The motif that costs most, the position worth most, the next motif; each with board and opening."""
    things = first_things([vienna(pattern=Pattern.PIN), legal()], MOTIFS, ALL_BANDS)

    assert names(things) == [
        "Motif: double attack: queen on e5",
        "Punish 3...exf4 (pin)",
        "Motif: mate in one: queen on f7",
    ]
    assert things_heading(things) == "Three things this week"
    assert [thing.opening for thing in things] == ["King's Pawn Game", "Vienna Gambit", "King's Pawn Game"]
    assert things[1].line == "3...exf4? 4.e5 Ng8 5.Nf3"


def test_where_one_kind_lacks() -> None:
    """The other takes its place; of nothing there is nothing."""
    positions = [vienna(), legal(), first_move()]

    assert names(first_things(positions, None, ALL_BANDS)) == [
        "Punish 3...exf4",
        "Punish 5...Bxd1",
        "Avoid 1.g4",
    ]
    assert len(first_things([], MOTIFS, ALL_BANDS)) == 2
    assert first_things([], None, ALL_BANDS) == []


def test_what_few_games_show_is_not_named_first() -> None:
    """A mistake of two games comes after one of fifty; where there is no other, it is named all the same."""
    rare = legal(games_with_reply=2)

    assert names(first_things([rare, vienna()], None, ALL_BANDS)) == ["Punish 3...exf4"]
    assert names(first_things([rare], None, ALL_BANDS)) == ["Punish 5...Bxd1"]


def test_what_is_not_worth_a_lesson() -> None:
    """What nine of ten punish, what hardly costs anything, a gambit; a pitfall counts whoever punishes it."""
    assert is_worth_teaching(vienna(find_rate=0.9))
    assert not is_worth_teaching(vienna(find_rate=0.91))
    assert is_worth_teaching(vienna(find_rate=0.91, kind=Kind.PITFALL))
    assert not is_worth_teaching(vienna(teaching_value=LEAST_WORTH - 0.01))
    assert not is_worth_teaching(vienna(gambit=True))


def test_motif_is_shown_for_the_side_that_is_taught() -> None:
    """By a position in which that side punishes; by any where there is none."""
    raids = [queen_raid(game, found=False) for game in range(6)]
    as_black = moment_row("f4 e5 Nc3 Qh4+", "g3", "Qe7", game=9, found=False)

    known = known_motifs([*raids, as_black])

    for side, bottom in (("white", "white"), ("black", "black"), ("both", "white")):
        assert first_things([], known, ALL_BANDS, side)[0].bottom == bottom  # type: ignore[arg-type]
    assert first_things([], MOTIFS, ALL_BANDS, "black")[0].bottom == "white"


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        (
            {"find_rate": 0.31},
            "Players rated 1000-1199 chose it in 28 of 80 games, and it was punished in 16 of 39: to punish "
            "it adds up to 0.47 points in 100 games.",
        ),
        (
            {"teaching_value_low": 0.0},
            "Players rated 1000-1199 chose it in 28 of 80 games, and it was punished in 16 of 39: to punish "
            "it adds up to 0.47 points in 100 games, perhaps nothing.",
        ),
        (
            {"find_rate": None},
            "Players rated 1000-1199 chose it in 28 of 80 games: punishing it adds up to 0.47 points in 100 "
            "games.",
        ),
        (
            {"kind": Kind.PITFALL, "games_with_reply": 1, "games_at_position": 1},
            "Players rated 1000-1199 chose it in 1 of 1 game: it costs 0.47 points in 100 games.",
        ),
    ],
)
def test_why_a_position(changes: dict[str, object], why: str) -> None:
    """Counts first, then what it is worth."""
    assert Thing(mistake=vienna(**changes)).why == why


def test_why_a_motif() -> None:
    """Who fell for it, who found it, and what both cost."""
    [_, thing] = sorted(first_things([], MOTIFS, ALL_BANDS), key=lambda one: one.name, reverse=True)
    known = first_things([], known_motifs([queen_raid(game) for game in range(8)]), ALL_BANDS)

    assert known == []  # everybody found it
    assert thing.why.startswith(
        "Players of all bands fell for it in 8 of 100 games (each side's) and found it in 4 of"
    )
    assert HIGH not in thing.why
