"""Which won games are models, and which of their moves matter, with scripted verdicts."""

from __future__ import annotations

import chess
import pytest

from miner.follow.models import (
    Review,
    WinnerMove,
    WonGame,
    candidates,
    is_spoiled,
    length_value,
    models_among,
    promise,
    review,
    review_choices,
)
from miner.terms import MATE_SCORE_CP, expected_score
from tests.follow.scripted import Script

MOVES = "e4 e5 Nf3 f6 Nxe5 fxe5 Qh5 Ke7 Qxe5 Kf7 Qd5 Kg6 Qf5 Kh6"
"""Damiano's defence: 2...f6 3.Nxe5 fxe5 4.Qh5+."""


def won_game(moves: str = MOVES, reply_ply: int = 3, is_taught: bool = True, **other: int) -> WonGame:
    """A game in SAN that White won after Black's losing reply."""
    board = chess.Board()
    line = tuple(board.push_san(san) for san in moves.split())
    values = {"game": 1, "winner_rating": 1600, "loser_rating": 1500} | other
    return WonGame(
        moves=line,
        reply_ply=reply_ply,
        is_whole=True,
        band="1600-1799",
        is_strongest=True,
        is_taught=is_taught,
        date="2024.01.01",
        result="1-0",
        **values,
    )


def steps(*shares: tuple[float, float]) -> list[WinnerMove]:
    """Steps of the winner from ply 4 on: what was best and what was played."""
    return [WinnerMove(4 + 2 * place, best, played) for place, (best, played) in enumerate(shares)]


def test_games_with_the_taught_answer_come_first() -> None:
    """A weaker player's game with the taught answer is looked at and shown before a master's with another."""
    other = won_game(game=1, winner_rating=2400, is_taught=False)
    taught = won_game(f"{MOVES} d4", game=2, winner_rating=1200)
    reviews = [Review(game, steps((0.9, 0.9))) for game in (other, taught)]

    assert [game.game for game in candidates([other, taught], most=2)][:1] == [2]
    assert [seen.game.game for seen in models_among(reviews, 2)] == [2, 1]


def test_review_looks_at_the_winners_moves() -> None:
    """Each of White's moves from 3.Nxe5 on, against the best one, until three in a row leave it decided."""
    script = Script({"f3e5": 150, "d1h5": 300, "h5e5": 700, "e5d5": 800, "d5f5": 900, "d2d4": 100})

    seen = script.hear(review(won_game(), 500))

    assert [step.ply for step in seen.steps] == [4, 6, 8, 10, 12]
    assert seen.quality == 0.0
    assert seen.end > 0.99
    assert seen.is_model
    assert script.asked == [(500, ())] * 5


def test_what_the_winner_gave_away() -> None:
    """A move that is not the best one is searched by itself, and costs the difference."""
    script = Script({"f3e5": 150, "d2d4": 200, "d1h5": 300, "h5e5": 800, "e5d5": 900, "d5f5": 900})

    seen = script.hear(review(won_game(), 500))

    given = expected_score(200) - expected_score(150)
    assert seen.steps[0].given_away == pytest.approx(given)
    assert seen.quality == pytest.approx(given / len(seen.steps))
    assert (500, ("f3e5",)) in script.asked


def test_game_won_by_luck_is_no_model() -> None:
    """Who throws the game away is no model, and is not looked at any further; nor is who wins on time."""
    thrown = Script({"f3e5": -900, "d2d4": 200}, others=-950).hear(review(won_game(), 500))
    resigned = Review(won_game(), steps((0.7, 0.7), (0.88, 0.88)))
    level = Script({"f3e5": 30, "d1h5": 30, "h5e5": 30, "e5d5": 30, "d5f5": 30}).hear(review(won_game(), 500))

    assert (thrown.is_model, len(thrown.steps)) == (False, 1)
    assert (level.is_model, level.quality) == (False, 0.0)
    assert resigned.is_model  # three pawns up, among the strong, is enough


def test_failed_search_is_no_model() -> None:
    """A game that could not be reviewed is none."""
    seen = Script({"f3e5": 150, "d2d4": 200}, fails_over="f3e5").hear(review(won_game(), 500))

    assert (seen.failure, seen.is_model) == ("no engine left", False)


def test_only_good_move_is_a_moment() -> None:
    """4.Qh5+ wins where all else is level: a moment. 5.Qxe5+ was one of several that win."""
    script = Script(
        {"f3e5": 150, "d2d4": 140, "d1h5": 350, "h5e5": 700, "e5d5": 800, "d5f5": 900}, others=100
    )
    seen = script.hear(review(won_game(), 500))

    shown = script.hear(review_choices(seen, 500))

    assert shown.steps[0].second == pytest.approx(expected_score(140))
    assert 6 in shown.moments
    assert 4 not in shown.moments
    assert shown.steps[2].second is None  # decided: not asked


def test_losers_error_is_a_moment() -> None:
    """What Black gives away between two of White's moves is told at Black's ply."""
    game = Review(won_game(), steps((0.6, 0.6), (0.6, 0.58), (0.9, 0.9), (0.95, 0.95)))

    assert game.moments == [7]


def test_six_moments_at_most() -> None:
    """The greatest changes are told, in the order of the game."""
    shares = [(0.5 + 0.02 * place, 0.3) for place in range(9)]

    moments = Review(won_game(), steps(*shares)).moments

    assert moments == [9, 11, 13, 15, 17, 19]


def test_candidates_are_strong_and_had_an_opponent() -> None:
    """A game against a beginner and a weak winner come after a proper game."""
    proper = won_game(game=1, winner_rating=2000, loser_rating=1950)
    weak = won_game(f"{MOVES} d4", game=2, winner_rating=1000, loser_rating=980)
    crushed = won_game(f"{MOVES} d3", game=3, winner_rating=2000, loser_rating=900)

    assert [one.game for one in candidates([weak, crushed, proper])] == [1, 3, 2]
    assert [one.game for one in candidates([weak, crushed, proper], most=1)] == [1]
    assert promise(won_game(winner_rating=0, loser_rating=0), 0) > 0.5


@pytest.mark.parametrize(
    ("winner", "loser", "balance"),
    [
        (0, 0, 0.5),
        (0, 1500, 0.5),  # nobody knows
        (1500, 0, 0.5),
        (1500, 1700, 1.0),
        (1500, 1200, 1.0),  # the weakest who counts as an equal
        (1500, 1050, 0.5),  # half-way from 300 to 600
        (1500, 900, 0.0),
        (1500, 700, 0.0),
    ],
)
def test_promise_by_hand(winner: int, loser: int, balance: float) -> None:
    """Half for the winner's share of 2000, 0.3 for 7 moves of the 20 wanted, 0.2 for an equal opponent."""
    promised = promise(won_game(winner_rating=winner, loser_rating=loser), 2000)

    assert promised == pytest.approx(0.5 * winner / 2000 + 0.3 * 7 / 20 + 0.2 * balance)


def test_one_game_is_shown_once() -> None:
    """Databases hold games twice, and players repeat themselves: of games that go alike the best is taken."""
    twins = [won_game(game=number, winner_rating=1500 + number) for number in (1, 2)]

    assert [one.game for one in candidates([*twins, won_game(f"{MOVES} d4", game=3)])] == [3, 2]


SCHOLAR = "e4 e5 Bc4 Nc6 Qh5 Nf6"
OPERA = (
    "e4 e5 Nf3 d6 d4 Bg4 dxe5 Bxf3 Qxf3 dxe5 Bc4 Nf6 Qb3 Qe7 Nc3 c6 Bg5 b5 Nxb5 cxb5 Bxb5+ Nbd7 O-O-O Rd8 "
    "Rxd7 Rxd7 Rd1 Qe6 Bxd7+ Nxd7 Qb8+ Nxb8 Rd8#"
)
"""Morphy's game at the opera, Paris 1858, from memory: the queen is given up for mate."""


@pytest.mark.parametrize(
    ("moves", "reply_ply", "is_no_model"),
    [
        (f"{SCHOLAR} Qxf7#", 5, False),
        (f"{SCHOLAR} Qxe5+ Nxe5", 5, True),  # a mate in one is missed
        (f"{SCHOLAR} Qf3 d5", 5, True),
        (OPERA, 7, False),
        (f"{MOVES} d4+", 3, False),
        ("e4 e5 Nf3 f6 Nxe5 fxe5 Qh5+ Ke7 Qxe5+ Kf7 Qf6+ Nxf6 d4", 3, True),  # the queen is thrown away
        ("e4 e5 Nf3 f6 Nxe5 fxe5 Qh5+ g6 Qxe5+ Qe7 Qxe7+ Nxe7", 3, False),  # queens are exchanged
    ],
)
def test_mate_missed_or_queen_thrown_away(moves: str, reply_ply: int, is_no_model: bool) -> None:
    """Whoever overlooks a mate in one, or loses the queen for nothing, is no model, however he stands."""
    game = won_game(moves, reply_ply)

    assert is_spoiled(game) == is_no_model
    assert candidates([game]) == ([] if is_no_model else [game])


@pytest.mark.parametrize(
    ("plies", "value"), [(0, 0.0), (20, 0.5), (40, 1.0), (120, 1.0), (180, 0.5), (300, 0.0)]
)
def test_length_that_teaches(plies: int, value: float) -> None:
    """Twenty to sixty moves are best."""
    assert length_value(plies) == value


def test_order_of_models() -> None:
    """Cleaner play comes first; games that are no models are left out; equals by number."""
    clean = Review(won_game(game=3), steps((0.7, 0.7), (0.97, 0.97)))
    twin = Review(won_game(game=2), steps((0.7, 0.7), (0.97, 0.97)))
    rough = Review(won_game(game=1), steps((0.7, 0.6), (0.97, 0.97)))
    lost = Review(won_game(game=4), steps((0.7, 0.7), (0.9, 0.5)))

    assert [one.game.game for one in models_among([rough, clean, lost, twin], 5)] == [2, 3, 1]
    assert len(models_among([rough, clean, twin], 2)) == 2


@pytest.mark.parametrize(("rating", "strength"), [(0, 0.0), (1500, 0.5), (3000, 1.0), (3100, 1.0)])
def test_score_of_a_model_by_hand(rating: int, strength: float) -> None:
    """0.6 for no error, 0.15 for 2 moves of 40, 0.15 for 7 of the 20 wanted, 0.1 for a share of 3000."""
    flawless = Review(won_game(winner_rating=rating), steps((0.7, 0.7), (0.97, 0.97)))

    assert flawless.score == pytest.approx(0.6 + 0.15 * 38 / 40 + 0.15 * 7 / 20 + 0.1 * strength)


def test_mate_ends_a_review() -> None:
    """A game that ends by mate is seen to its end."""
    game = won_game("e4 e5 Bc4 Nc6 Qh5 Nf6 Qxf7", reply_ply=5)

    seen = Script({"h5f7": MATE_SCORE_CP - 1}).hear(review(game, 500))

    assert (seen.end, len(seen.steps), seen.is_model) == (1.0, 1, True)
