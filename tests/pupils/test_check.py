"""Who fell in, who punished, and what it cost, game by game."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from miner.errors import StoreError, UsageError
from miner.lesson.taught import Line, TaughtTable
from miner.pupils import Member, check_games
from miner.pupils.check import PupilsCheck
from miner.store import Store
from miner.terms import Kind
from tests.export.examples import finding, legal, vienna
from tests.pupils.clubs import (
    INTO_LEGAL,
    INTO_VIENNA,
    QUIET,
    VIENNA_BY_ANOTHER_WAY,
    club_findings,
    club_store,
    game,
    written,
)

VIENNA = vienna().key


def checked(folder: Path, *games: str, players: Any = ("Anna",), **options: Any) -> PupilsCheck:
    """Games against the club's store; by default only Anna's count."""
    return check_games(club_store(folder), [written(folder, games)], players, **options)


def at(check: PupilsCheck, key: int = VIENNA) -> dict[str, Any]:
    """The one meeting at a position."""
    [row] = check.meetings[check.meetings["key"] == key].to_dict("records")
    return {str(name): value for name, value in row.items()}


@pytest.mark.parametrize(
    ("moves", "outcome", "played"),
    [
        ("exf4 e5 Ng8", "punished", "e5"),
        ("exf4 Qe2 d6", "punished", "Qe2"),
        ("exf4 d3 d6", "missed", "d3"),
        ("exf4 h3 d6", "missed", "h3"),
        ("exf4", "not told", ""),
        ("d5 fxe5", "not asked", ""),
    ],
)
def test_white_set_the_trap(tmp_path: Path, moves: str, outcome: str, played: str) -> None:
    """Whether White's answer to the losing reply keeps three quarters of the gain."""
    check = checked(tmp_path, game(f"{INTO_VIENNA} {moves}"))

    meeting = at(check)
    assert (meeting["outcome"], meeting["played"], meeting["kind"]) == (outcome, played, "trap")


@pytest.mark.parametrize(("moves", "outcome"), [("exf4 e5", "fell in"), ("d5 fxe5", "avoided")])
def test_black_is_to_move(tmp_path: Path, moves: str, outcome: str) -> None:
    """Black plays the losing reply, or something else."""
    check = checked(tmp_path, game(f"{INTO_VIENNA} {moves}"), players=["Bert"])

    meeting = at(check)
    assert (meeting["outcome"], meeting["kind"], meeting["side"]) == (outcome, "pitfall", "black")


def test_points(tmp_path: Path) -> None:
    """The gain for the band if he falls in; what an answer gives up of it, and nothing for a good one."""
    into = game(f"{INTO_VIENNA} exf4 e5")
    poor = game(f"{INTO_VIENNA} exf4 d3", Date="2025.01.11")
    fair = game(f"{INTO_VIENNA} exf4 Qe2", Date="2025.01.12")

    check = checked(tmp_path, into, poor, fair, players=["Anna", "Bert"])

    vienna_only = check.meetings[check.meetings["key"] == VIENNA]
    told = {(row.side, row.number): (row.lost, row.won) for row in vienna_only.itertuples()}
    assert told["black", 1] == (0.2, 0.0)
    assert told["white", 1] == (0.0, 0.2)
    assert told["white", 2] == pytest.approx((0.15, 0.05))
    assert told["white", 3] == pytest.approx((0.0, 0.16))


def test_unknown_answer_costs_nothing(tmp_path: Path) -> None:
    """An answer that the store does not know is missed by the refutation, at a price nobody knows."""
    check = checked(tmp_path, game(f"{INTO_LEGAL} Bxd1 Kxd1"))

    meeting = at(check, legal().key)
    assert (meeting["outcome"], meeting["basis"]) == ("missed", "refutation")
    assert meeting["lost"] != meeting["lost"]
    [row] = check.by_pupil.to_dict("records")
    assert (row["missed"], row["unpriced"], row["lost"]) == (1, 1, 0.0)


def test_refutation_without_follow(tmp_path: Path) -> None:
    """Where no answers were followed, the best one punishes."""
    store = club_store(tmp_path, followed=())

    check = check_games(store, [written(tmp_path, [game(f"{INTO_LEGAL} Bxd1 Bxf7+ Ke7")])], ["Anna"])

    meeting = at(check, legal().key)
    assert (meeting["outcome"], meeting["won"]) == ("punished", 0.8)


def test_transposition(tmp_path: Path) -> None:
    """A position counts by whatever moves it is reached."""
    check = checked(tmp_path, game(f"{VIENNA_BY_ANOTHER_WAY} exf4 e5 Ng8"))

    assert at(check)["outcome"] == "punished"


@pytest.mark.parametrize(
    ("rating", "band"),
    [
        ("1100", "1000-1199"),
        ("850", "800-999"),
        ("400", "800-999"),
        ("2300", "1000-1199"),
        ("?", "1000-1199"),
    ],
)
def test_band_is_the_nearest(tmp_path: Path, rating: str, band: str) -> None:
    """The row of the pupil's own band in that game, or of the next one; the first without any rating."""
    check = checked(tmp_path, game(f"{INTO_VIENNA} exf4 e5", WhiteElo=rating))

    assert at(check)["band"] == band


def test_band_of_an_unrated_game(tmp_path: Path) -> None:
    """Without a rating in the game, the pupil's others tell the band."""
    games = game(f"{INTO_VIENNA} exf4 e5", WhiteElo=""), game(QUIET, WhiteElo="820", Date="2025.02.01")

    assert at(checked(tmp_path, *games))["band"] == "800-999"


def test_several_mistakes_at_once(tmp_path: Path) -> None:
    """Avoiding two of them is one good move; making one is no credit for not having made the other."""
    other = finding("e4 e5 Nc3 Nf6 f4", "h6", "fxe5 Ng8", "d5", kind=Kind.PITFALL, pick_rate=0.1)
    store = club_store(tmp_path, findings=[*club_findings(), other])
    games = [game(f"{INTO_VIENNA} d5 fxe5"), game(f"{INTO_VIENNA} h6 fxe5", Date="2025.02.01")]

    check = check_games(store, [written(tmp_path, games)], ["Bert"])

    there = check.meetings[check.meetings["key"] == VIENNA]
    assert sorted(zip(there["number"], there["outcome"], there["losing_reply"], strict=True)) == [
        (1, "avoided", "exf4"),
        (1, "avoided", "h6"),
        (2, "fell in", "h6"),
    ]
    [row] = check.by_pupil.to_dict("records")
    assert (row["fell_in"], row["avoided"]) == (1, 1)
    assert row["usual_falls"] == pytest.approx(2 * (0.35 + 0.1))


def test_whose_games_count(tmp_path: Path) -> None:
    """Only the listed players', in any case and spacing; those of nobody listed are told."""
    games = game(f"{INTO_VIENNA} exf4 e5"), game(QUIET, white="Cleo", black="Dora", Date="2025.02.01")

    check = checked(tmp_path, *games, players=["  aNNa ", "Nobody"])

    assert len(check.by_pupil) == 1
    assert (check.without_pupils, check.absent) == (1, (2,))


def test_everybody_without_a_list(tmp_path: Path) -> None:
    """Without a list all players are pupils, but those whose name is not known."""
    games = game(QUIET), game(QUIET, black="?", Date="2025.02.01")

    check = checked(tmp_path, *games, players=None)

    assert sorted(check.by_pupil["games"]) == [1, 2]


def test_since(tmp_path: Path) -> None:
    """Games before a pupil's first day do not count, nor undated ones."""
    games = [game(f"{INTO_VIENNA} exf4 e5", Date=day) for day in ("2024.12.31", "2025.01.01", "????.??.??")]

    check = checked(tmp_path, *games, players=[Member("Anna", "Fridays", "2025.01")])

    assert list(check.meetings[check.meetings["key"] == VIENNA]["date"]) == ["2025.01.01"]
    assert (check.too_early, list(check.by_pupil["group"])) == (2, ["Fridays"])


def test_since_for_all(tmp_path: Path) -> None:
    """A first day for all holds where the list names none; one that is no date is wrong use."""
    games = [game(f"{INTO_VIENNA} exf4 e5", Date=day) for day in ("2024.12.31", "2025.01.01")]
    players = [Member("Anna"), Member("Bert", since="2024")]

    check = checked(tmp_path, *games, players=players, since="2025")

    there = check.meetings[check.meetings["key"] == VIENNA]
    assert sorted(there["side"]) == ["black", "black", "white"]
    with pytest.raises(UsageError, match="no date"):
        checked(tmp_path / "again", *games, since="soon")


def test_ledger(tmp_path: Path) -> None:
    """Every game seen is told, with what became of it."""
    games = [
        game(QUIET),
        game(QUIET),
        game(QUIET, Result="*", Date="2025.02.01"),
        game("e4 e5 Ke3", Date="2025.03.01"),
        game(QUIET, FEN="8/8/8/8/8/4k3/4p3/4K3 w - - 0 1", Date="2025.04.01"),
    ]

    check = checked(tmp_path, *games)

    assert dict(check.ledger) == {
        "kept": 1,
        "duplicate": 1,
        "no result": 1,
        "kept to illegal move": 1,
        "set-up position": 1,
    }


def test_two_sources(tmp_path: Path) -> None:
    """Games are told by the number of the file and that in the file."""
    store = club_store(tmp_path)
    one = written(tmp_path, [game(QUIET)], "one.pgn")
    two = written(tmp_path, [game(QUIET, Date="2025.02.01"), game(f"{INTO_VIENNA} exf4 e5")], "two.pgn")

    check = check_games(store, [one, two], ["Anna"])

    assert (at(check)["source"], at(check)["number"]) == (2, 2)


def test_same_pseudonym_in_other_company(tmp_path: Path) -> None:
    """A pupil is called the same whoever else is in the list, in this store; without names none is told."""
    games = game(QUIET), game(QUIET, white="Cleo", Date="2025.02.01")
    alone = checked(tmp_path, *games)
    store = Store.open(tmp_path / "store")
    together = check_games(store, [written(tmp_path, games)], None)

    [anna] = alone.by_pupil["pupil"]
    assert anna in list(together.by_pupil["pupil"])
    assert together.names == {}


def test_names_if_asked_for(tmp_path: Path) -> None:
    """Names are told by pseudonym, as the list writes them, and stand in no table."""
    check = checked(tmp_path, game(f"{INTO_VIENNA} exf4 e5"), players=["ANNA"], names=True)

    [pupil] = check.by_pupil["pupil"]
    assert check.names == {pupil: "ANNA"}
    for table in (check.meetings, check.by_pupil, check.by_finding, check.progress):
        assert "ann" not in table.to_csv().lower()


def test_nothing_met(tmp_path: Path) -> None:
    """Pupils who never come to a finding's position are in the table all the same."""
    check = check_games(
        club_store(tmp_path, findings=[vienna()]), [written(tmp_path, [game(QUIET)])], ["Anna"]
    )

    [row] = check.by_pupil.to_dict("records")
    assert (row["games"], row["met"], row["lost"]) == (1, 0, 0.0)
    assert check.meetings.empty


def test_nobody_there(tmp_path: Path) -> None:
    """No player of the list in these games: empty tables, and the list's place is told."""
    check = checked(tmp_path, game(QUIET), players=["Nobody"])

    assert check.by_pupil.empty
    assert (check.absent, check.without_pupils) == ((1,), 1)


def test_by_finding(tmp_path: Path) -> None:
    """Each losing reply with who met it, from either side of the board; the costliest first."""
    games = [
        game(f"{INTO_VIENNA} exf4 d3"),
        game(f"{INTO_VIENNA} exf4 e5", white="Cleo", Date="2025.02.01"),
    ]

    check = checked(tmp_path, *games, players=None)

    first = check.by_finding.iloc[0]
    assert (first["losing_reply"], first["pupils"], first["met"]) == ("exf4", 3, 4)
    assert (first["fell_in"], first["punished"], first["missed"]) == (2, 1, 1)
    assert first["lost"] == pytest.approx(0.2 + 0.2 + 0.15)


def test_progress_of_what_was_taught(tmp_path: Path) -> None:
    """With the keys of a lesson only these positions tell of progress."""
    games = [game(f"{INTO_VIENNA} exf4 e5", Date=day) for day in ("2025.01.01", "2025.03.01")]
    lesson = date(2025, 2, 1)

    taught = checked(tmp_path / "one", *games, players=["Bert"], lesson=lesson, taught=[VIENNA])
    other = checked(tmp_path / "other", *games, players=["Bert"], lesson=lesson, taught=[legal().key])

    assert list(taught.progress["pupil"])[-1] == "all"
    assert taught.progress[["yes_before", "no_before", "yes_after", "no_after"]].to_numpy().tolist() == [
        [1, 0, 1, 0],
        [1, 0, 1, 0],
    ]
    assert other.progress.empty


def test_needs_a_ranking(tmp_path: Path) -> None:
    """A store without findings is named with what to run."""
    with pytest.raises(StoreError, match="rank"):
        check_games(Store.create(tmp_path / "store"), [written(tmp_path, [game(QUIET)])])


def test_progress_from_the_day_of_each_topic(tmp_path: Path) -> None:
    """A group's topic counts from its own day on; other groups' topics, and other replies, do not count."""
    moves = f"{INTO_VIENNA} exf4 e5"
    games = [game(moves, Date=f"2025.01.{day:02}") for day in range(1, 13)]
    lessons = TaughtTable(
        (
            Line(date(2025, 1, 6), "Fridays", f"{VIENNA:016x} exf4"),
            Line(date(2025, 1, 2), "Mondays", f"{VIENNA:016x}"),
            Line(date(2025, 1, 2), "Fridays", f"{vienna().key:016x} Nc6"),
        )
    )

    check = checked(tmp_path, *games, players=[Member("Anna", "Fridays")], lessons=lessons)

    [own] = check.progress[check.progress["pupil"] != "all"].to_dict("records")
    assert [own[name] for name in ("yes_before", "no_before", "yes_after", "no_after")] == [5, 0, 6, 0]
