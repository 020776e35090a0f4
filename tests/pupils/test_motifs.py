"""What pupils fall for and miss in all of their games, held against their bands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import pandas as pd
import pytest

from miner.finding.moment import Moment
from miner.lesson.exercises import Exercise
from miner.pupils.motifs import MotifCheck, of_pupils
from tests.finding.moments import LOW, known_motifs, moment_row, table_of

ANNA, BERT = "Pupil 1001", "Pupil 1002"
FIRST = ("a3", "a4", "b3", "c3", "d3", "g3", "h3", "h4")


def raid(game: int, other: str = "a6", **changes: Any) -> dict[str, Any]:
    """White wins a rook by Qxe5+, in another position for each game."""
    path = f"e4 e5 {FIRST[game % 8]} {other} Qh5"
    return moment_row(path, "g6", "Qxe5+", "Be7 Qxh8", **({"game": game, "loss": 0.4} | changes))


def games_of(pupil: str, games: Sequence[int], side: str, period: str = "before") -> list[dict[str, Any]]:
    return [
        {
            "game": game,
            "pupil": pupil,
            "side": side,
            "source": 1,
            "number": game + 1,
            "date": f"2025.01.{game + 1:02}",
            "period": period,
            "band": LOW,
        }
        for game in games
    ]


def checked(rows: Sequence[dict[str, Any]], games: Sequence[dict[str, Any]]) -> MotifCheck:
    """Pupils' moments against a store in whose 50 games eight players fell for it, six were punished."""
    known = known_motifs([raid(game, "b6", found=game < 6) for game in range(8)])
    table = pd.DataFrame(list(games))
    return MotifCheck(
        known=known,
        recurring=frozenset(),
        games=table,
        rows=of_pupils(table_of(rows), table),
        confidence=0.9,
    )


def test_record() -> None:
    """Anna fell for it as Black in two of four games; Bert, as White, found one of two chances."""
    rows = [raid(0), raid(1, found=False)]
    check = checked(rows, [*games_of(ANNA, range(4), "black"), *games_of(BERT, range(2), "white")])

    [fell], [faced] = check.records(ANNA), check.records(BERT)

    assert (fell.pattern, fell.fell, fell.games, fell.chances) == ("double attack", 2, 4, 0)
    assert fell.costs == pytest.approx(0.8)
    assert fell.usual_fell == pytest.approx(4 * 8 / 100)
    assert (faced.fell, faced.chances, faced.found) == (0, 2, 1)
    assert faced.costs == pytest.approx(0.4)
    assert faced.usual_found == pytest.approx(2 * 6 / 8)


def test_what_the_store_does_not_tell() -> None:
    """A pattern for which no five players fell there has no usual; nor a game that goes no further."""
    rows = [raid(0, pattern="pin"), raid(1, pattern="pin", found=None)]
    check = checked(rows, [*games_of(ANNA, range(2), "black"), *games_of(BERT, range(2), "white")])

    [fell], [faced] = check.records(ANNA), check.records(BERT)

    assert (fell.fell, fell.usual_fell) == (2, None)
    assert (faced.chances, faced.found, faced.usual_found) == (1, 1, None)


def test_three_most_expensive() -> None:
    """By what they cost, four motifs; what cost nothing is none of them."""
    patterns = {"pin": 0.2, "skewer": 0.5, "double attack": 0.3, "back rank": 0.4}
    rows = [raid(at, pattern=name, loss=loss) for at, (name, loss) in enumerate(patterns.items())]
    check = checked(rows, [*games_of(ANNA, range(4), "black"), *games_of(BERT, range(4), "white")])

    assert [one.pattern for one in check.expensive(ANNA)] == ["skewer", "back rank", "double attack"]
    assert check.expensive(BERT) == []  # he found them all


def told(exercises: Sequence[Exercise[Moment]], check: MotifCheck, pupil: str) -> list[bool]:
    """Of each exercise whether it is from a game of the pupil's own."""
    return [check.game_of(pupil, one.finding) is not None for one in exercises]


def test_exercises_from_own_games_and_from_others() -> None:
    """Half of them from either, no position twice; the others are none that the pupil had himself."""
    rows = [raid(game) for game in range(4)]
    check = checked(rows, games_of(ANNA, range(4), "black"))

    exercises = check.exercises(ANNA, 6)

    assert sorted(told(exercises, check, ANNA)) == [False] * 3 + [True] * 3
    assert len({one.finding.fen for one in exercises}) == 6
    assert [one.number for one in exercises] == [1, 2, 3, 4, 5, 6]
    game = check.game_of(
        ANNA, next(one.finding for one in exercises if check.game_of(ANNA, one.finding) is not None)
    )
    assert game is not None
    assert game["number"] in (1, 2, 3, 4)


def test_position_that_the_pupil_had_is_no_others() -> None:
    """Though it is in the store as well."""
    known = known_motifs([raid(game) for game in range(8)])
    rows = [raid(0)]
    games = pd.DataFrame(games_of(ANNA, [0], "black"))
    check = MotifCheck(
        known=known, recurring=frozenset(), games=games, rows=of_pupils(table_of(rows), games), confidence=0.9
    )

    exercises = check.exercises(ANNA, 8)

    assert len({one.finding.fen for one in exercises}) == len(exercises) == 8
    assert told(exercises, check, ANNA).count(True) == 1


def test_before_and_after_a_lesson() -> None:
    """Games in which Anna fell for it, and chances that Bert took, on either side of the day."""
    rows = [raid(0), raid(1), raid(6, found=False), raid(7, "a5")]
    games = [*games_of(ANNA, range(6), "black"), *games_of(ANNA, range(6, 12), "black", "after")]
    games += [*games_of(BERT, range(2), "white"), *games_of(BERT, [6, 7], "white", "after")]
    check = checked(rows, games)

    [falls] = check.progress(ANNA, "double attack").to_dict("records")
    both = {row["skill"]: row for row in check.progress(BERT, "double attack").to_dict("records")}

    counts = ("yes_before", "no_before", "yes_after", "no_after")
    assert falls["skill"] == "falling in"
    assert [falls[name] for name in counts] == [2, 4, 2, 4]
    assert [both["punishing"][name] for name in counts] == [2, 0, 1, 1]
    assert [both["falling in"][name] for name in counts] == [0, 2, 0, 2]


def test_games_without_mistakes() -> None:
    """Nothing is told, and nothing asked."""
    games = pd.DataFrame(games_of(ANNA, range(3), "black"))
    check = MotifCheck(
        known=known_motifs([raid(game) for game in range(8)]),
        recurring=frozenset(),
        games=games,
        rows=of_pupils(pd.DataFrame(), games),
        confidence=0.9,
    )

    assert check.records(ANNA) == []
    assert check.exercises(ANNA, 4) == []


def test_what_the_group_falls_for() -> None:
    """The motif of most games first: its pupils with their games, all games, and a position of their own."""
    rows = [raid(0), raid(1), raid(2), raid(3, pattern="pin", found=False), raid(4, pattern="pin")]
    games = [*games_of(ANNA, [0, 1, 3], "black"), *games_of(BERT, [2, 4, 5], "black")]
    check = checked(rows, games)

    forked, pinned = check.of_group()

    assert (forked.record.pattern, forked.fell) == ("double attack", {ANNA: 2, BERT: 1})
    assert (forked.record.fell, forked.record.games) == (3, 6)
    assert forked.record.usual_fell == pytest.approx(6 * 8 / 100)
    assert pinned.fell == {ANNA: 1, BERT: 1}
    assert forked.example.losing_reply == "g6"


def test_two_pupils_in_one_game() -> None:
    """A game in which one falls in and another may punish it counts for either."""
    check = checked([raid(0)], [*games_of(ANNA, [0], "black"), *games_of(BERT, [0], "white")])

    [one] = check.of_group()

    assert (one.record.fell, one.record.games, one.record.found, one.record.chances) == (1, 2, 1, 1)


def test_never_fell_for_what_others_do() -> None:
    """In 30 games 2.4 are usual: to have none is told; in 20 it is not, nor where it happened once."""
    never, few = (
        checked([raid(99, pattern="pin")], games_of(ANNA, range(games), "black")) for games in (30, 20)
    )
    once = checked([raid(0)], games_of(ANNA, range(30), "black"))

    assert [one.pattern for one in never.steady(ANNA)] == ["double attack"]
    assert few.steady(ANNA) == []
    assert once.steady(ANNA) == []


def test_progress_from_the_day_of_each_motif() -> None:
    """Only what was taught is compared, before and after its own day."""
    rows = [raid(0), raid(1), raid(6)]
    check = replace(
        checked(rows, games_of(ANNA, range(12), "black")),
        taught_on={(ANNA, "double attack"): date(2025, 1, 6)},
    )

    [falls] = check.progress(ANNA, "double attack").to_dict("records")

    assert check.compared(ANNA) == ["double attack"]
    assert [falls[name] for name in ("yes_before", "no_before", "yes_after", "no_after")] == [2, 3, 1, 5]
    assert check.progress(ANNA, "pin").empty
