"""What the findings come to, and what they were mined from."""

from __future__ import annotations

from miner.report.summary import mined, summaries
from miner.store import Manifest
from miner.terms import Kind, Side
from tests.export.examples import first_move, legal, vienna


def test_summary_of_traps_and_pitfalls() -> None:
    """Numbers of 100 games: plain reach x pick rate, added up; steered reach for the best trap."""
    white = [
        vienna(
            plain_reach=0.2, pick_rate=0.35, steered_reach=0.4, teaching_value=2.0, teaching_value_low=1.0
        ),
        first_move(plain_reach=1.0, pick_rate=0.03, teaching_value=0.5),
    ]

    assert summaries(white) == {
        "white 1000-1199": "In 100 games with White against players rated 1000-1199, the opponents make "
        "about 7 of the mistakes listed here, our own players about 3. Most worth setting up is 3...exf4 "
        "(Vienna Gambit): whoever plays towards it as White meets it in about 14 games of 100, worth up to "
        "2.00 points that are not made today. Most worth avoiding is 1.g4: it happens in about 3 games of "
        "100 and costs 0.50 points."
    }


def test_nobody_steers_to_where_it_is_unsound() -> None:
    """There the position comes up as often as it does, whatever one plays."""
    told = summaries([vienna(plain_reach=0.4, pick_rate=0.35, steered_reach=0.4)])

    assert "whoever has White meets it in about 14 games of 100" in told["white 1000-1199"]


def test_what_few_games_have_is_passed_over_in_words() -> None:
    """What stands first in the list was seen in two games: it is said from how many on something is named."""
    rare = legal(teaching_value=3.0, games_with_reply=2)
    often = vienna(teaching_value=2.0, games_with_reply=28)
    slips = [
        first_move(teaching_value=0.5, games_with_reply=9),
        legal(kind=Kind.PITFALL, side=Side.BLACK, teaching_value=0.9, games_with_reply=1),
    ]

    told = summaries([often, rare, *slips])["white 1000-1199"]

    assert "Of those seen in 5 games or more, most worth setting up is 3...exf4" in told
    assert "Of those seen in 5 games or more, most worth avoiding is 1.g4" in told


def test_each_side_and_band_has_its_own() -> None:
    """Légal's mate is White's trap and Black's pitfall."""
    told = summaries([legal(), legal(kind=Kind.PITFALL), legal(band="unrated")])

    assert sorted(told) == ["black 1000-1199", "white 1000-1199", "white unrated"]
    assert "our own players make about 0" not in told["black 1000-1199"]
    assert "against unrated players" in told["white unrated"]


def test_dates_that_are_not_known_do_not_count() -> None:
    """The newest game is the latest of those whose date is known, as far as it is."""
    told = mined({}, ["????.??.??", "2024.09.??", "", "2023.01.02", "9999.01.01"], [vienna()])

    assert (told["first"], told["last"]) == ("2023.01.02", "2024.09")


def test_ledger_in_its_order() -> None:
    """Only states with games, kept ones first."""
    read = Manifest(
        stage="read",
        settings={},
        inputs={"sources": [{"name": "club.pgn", "size_bytes": 1}]},
        rows={"games": 7},
        facts={"ledger": {"duplicate": 2, "kept": 5, "variant": 0}},
    )

    told = mined({"read": read, "tally": None}, [], [])

    assert told["ledger"] == [["kept", 5], ["duplicate", 2]]
    assert told["sources"] == 1
    assert told["games"] == 7
