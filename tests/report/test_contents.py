"""What is told of a losing reply."""

from __future__ import annotations

from typing import Any

import chess
import pytest
from hypothesis import given

from miner.board.moves import pack
from miner.finding.finding import Finding
from miner.report.contents import Details, mistake
from tests.export.examples import any_finding, first_move, legal, vienna
from tests.report.stores import BANDS, legal_comments, legal_model, replies_for


def test_lines_can_be_stepped_through() -> None:
    """Way, reply, refutation and best line, each in SAN and UCI."""
    told = mistake(vienna(), (0, 0), Details(), BANDS)

    assert told["path"] == {"san": "e4 e5 Nc3 Nf6 f4", "uci": "e2e4 e7e5 b1c3 g8f6 f2f4"}
    assert told["reply"] == {"san": "exf4", "uci": "e5f4"}
    assert told["refutation"]["uci"] == "e4e5 f6g8 g1f3"
    assert told["better"]["uci"] == "d7d5 f4e5 f6e4"


def test_name_without_an_opening() -> None:
    """The first moves, or that it is the first move."""
    assert mistake(vienna(opening=""), (0, 0), Details(), BANDS)["name"] == "1.e4 e5 2.Nc3 Nf6 3.f4"
    assert mistake(first_move(), (0, 0), Details(), BANDS)["name"] == "The first move"


def test_rates_stand_in_the_order_of_the_bands() -> None:
    """Weakest first, whatever the order of the rows."""
    reply = vienna().reply
    rows = [row for row in replies_for([vienna()]) if (row["key"], row["move"]) == reply]

    told = mistake(vienna(), reply, Details(picks={reply: rows[::-1]}), BANDS)

    assert [row[0] for row in told["picks"]] == list(BANDS)


def test_answers_commonest_first() -> None:
    """In SAN, with the share of the gain that is left, which may not be known."""
    reply = vienna().reply
    rows: list[dict[str, Any]] = [
        {"answer": pack(chess.Move.from_uci("d2d3")), "games": 3, "kept": None},
        {"answer": pack(chess.Move.from_uci("e4e5")), "games": 9, "kept": 1.0},
    ]

    told = mistake(vienna(), reply, Details(answers={reply: rows}), BANDS)

    assert told["answers"] == [
        {"san": "e5", "games": 9, "kept": 1.0},
        {"san": "d3", "games": 3, "kept": None},
    ]


def test_model_game_has_no_names() -> None:
    """Moves, ratings, date and result, and no more."""
    model = legal_model()

    [told] = mistake(vienna(), (0, 0), Details(models={(0, 0): [model]}), BANDS)["models"]

    assert told["line"]["uci"] == model["moves"]
    assert told["line"]["san"] == "e4 e5 Nf3 d6 Bc4 Bg4 Nc3 g6 Nxe5 Bxd1 Bxf7+ Ke7 Nd5#"
    assert told.keys() == {"line", "at", "result", "date", "winner", "loser", "moments", "comments"}


def test_comments_belong_to_a_game_and_its_losing_reply() -> None:
    """Another game of that reply, and the same game as a model of another reply, have none."""
    comments = legal_comments()
    [(reply, game)] = comments
    rows = [legal_model(), legal_model(game=game + 1)]

    told = mistake(legal(), reply, Details(models={reply: rows}, comments=comments), BANDS)["models"]
    other = mistake(vienna(), (0, 0), Details(models={(0, 0): rows}, comments=comments), BANDS)["models"]

    assert [bool(model["comments"]) for model in (*told, *other)] == [True, False, False, False]
    assert told[0]["comments"]["beside"][1]["ask"]["hint"] == "Look at the checks."


@pytest.mark.parametrize(
    ("theme", "detail", "squares", "told"),
    [
        ("piece", "knight f3", ("g1", "f3"), "knight from g1 to f3"),
        ("pawn", "pawn d5", ("d7", "d5"), "pawn to d5"),
        ("castling", "castling short", ("", ""), "castles short"),
        ("exchange", "exchange knight queen", ("", ""), "exchanges knight for queen"),
    ],
)
def test_plans_in_words(theme: str, detail: str, squares: tuple[str, str], told: str) -> None:
    """Where a man goes, or what else is done."""
    plan = {"players": "strongest", "games": 9, "theme": theme, "detail": detail, "share": 0.5}
    plan |= {"from_square": squares[0], "to_square": squares[1]}

    [row] = mistake(vienna(), (0, 0), Details(plans={(0, 0): [plan]}), BANDS)["plans"]

    assert row == ["strongest", 9, told, 0.5, *squares]


def leak(**changes: Any) -> dict[str, Any]:
    """A row of `miner.finding.aftermath.leaks` about what follows 3...exf4 4.e5 Ng8 in the Vienna Gambit."""
    row = {"games": 8, "wrong": 3, "share_wrong": 0.375, "path_san": "e5 Ng8"}
    told = {"wrong_san": "Qe2", "best_san": "Nf3", "by_commonest": 2, "as_common": 1}
    return row | told | changes


def leaks_told(*rows: dict[str, Any]) -> list[str]:
    """What is told of these rows."""
    told: list[str] = mistake(vienna(), (0, 0), Details(leaks={(0, 0): rows}), BANDS)["leaks"]
    return told


def test_leaks_in_words() -> None:
    """After the moves that lead there, or after the losing reply itself, with the numbers of the moves."""
    at_once = leak(path_san="", wrong_san="fxe5", best_san="e5")

    assert leaks_told(leak(), at_once) == [
        "After 4.e5 Ng8 3 of 8 kept less, most often by 5.Qe2; better is 5.Nf3.",
        "After 3...exf4 3 of 8 kept less, most often by 4.fxe5; better is 4.e5.",
    ]


def test_leaks_of_few_games_or_rare_ones() -> None:
    """Left out below five games or a fifth of them, and of the others only the first two are told."""
    rare = (leak(games=4), leak(share_wrong=0.19, games=80))
    enough = [leak(games=games, wrong=2, share_wrong=0.2) for games in (5, 6, 7)]

    told = leaks_told(*rare, *enough)

    assert [one.split(" kept")[0][-6:] for one in told] == ["2 of 5", "2 of 6"]


@given(any_finding())
def test_any_finding(found: Finding) -> None:
    """Every line that python-chess can play has its moves in both spellings."""
    told = mistake(found, found.reply, Details(), BANDS)

    for name in ("path", "reply", "refutation", "better"):
        assert len(told[name]["san"].split()) == len(told[name]["uci"].split())
