"""The words of the trade as values."""

from __future__ import annotations

import chess
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.board.moves import unpack_move
from miner.errors import UsageError
from miner.terms import MOST_CP, Band, BandScheme, Score, Side, expected_score, pack_move

EDGES = st.lists(st.integers(1, 4_000), unique=True, max_size=12).map(lambda edges: tuple(sorted(edges)))


def test_sides() -> None:
    """A side knows the other, and python-chess's colour."""
    assert Side.WHITE.other is Side.BLACK
    assert Side.BLACK.other is Side.WHITE
    assert [Side.of(color) for color in (chess.WHITE, chess.BLACK)] == [Side.WHITE, Side.BLACK]
    assert Side.WHITE.color == chess.WHITE


def test_band_reads_as_coaches_write_it() -> None:
    """A band is named by its bounds, an open one by a plus."""
    assert str(Band(1000, 1199)) == "1000-1199"
    assert str(Band(2400)) == "2400+"


def test_empty_band_is_wrong_use() -> None:
    """Bounds the wrong way round are refused."""
    with pytest.raises(UsageError, match="band 1200-1000 is empty"):
        Band(1200, 1000)


def test_band_of_a_rating() -> None:
    """An edge begins its band; no rating has a band of its own."""
    bands = BandScheme((800, 1000))

    assert [bands.name_of(rating) for rating in (1, 799, 800, 999, 1000, 2800, 0)] == [
        "0-799",
        "0-799",
        "800-999",
        "800-999",
        "1000+",
        "1000+",
        "unrated",
    ]


@given(EDGES, st.integers(1, 4_500))
def test_every_rating_lies_in_the_band_that_names_it(edges: tuple[int, ...], rating: int) -> None:
    """The bands cover all ratings without overlap, weakest first."""
    scheme = BandScheme(edges)

    around = [
        band for band in scheme.bands if band.low <= rating and (band.high is None or rating <= band.high)
    ]

    assert [str(band) for band in around] == [scheme.name_of(rating)]
    assert list(scheme.bands) == sorted(scheme.bands, key=lambda band: band.low)


@given(EDGES, st.lists(st.integers(0, 4_500)))
def test_many_ratings_lie_where_each_of_them_does(edges: tuple[int, ...], ratings: list[int]) -> None:
    """Bands by the array are those by the rating, no rating among them."""
    scheme = BandScheme(edges)

    places = scheme.places_of(np.array(ratings, dtype=np.uint16))

    assert [scheme.names[place] for place in places] == [scheme.name_of(rating) for rating in ratings]


@pytest.mark.parametrize("edges", [(1000, 800), (800, 800), (0, 800), (-1,)])
def test_edges_must_rise(edges: tuple[int, ...]) -> None:
    """Edges that fall, repeat or are no rating are refused."""
    with pytest.raises(UsageError, match="do not rise"):
        BandScheme(edges)


def test_unknown_band_is_named_with_the_known() -> None:
    """The message lists what there is."""
    with pytest.raises(UsageError, match="no band is called 900") as raised:
        BandScheme((800,)).require(("0-799", "900"))

    assert raised.value.advice == "the bands are 0-799, 800+, unrated"


def test_score_as_one_number() -> None:
    """The nearer mate is the greater number, above all centipawns."""
    scores = [Score(Side.WHITE, mate=1), Score(Side.WHITE, mate=5), Score(Side.WHITE, cp=900)]
    lost = [Score(Side.WHITE, mate=-5), Score(Side.WHITE, mate=-1), Score(Side.WHITE, mate=0)]

    assert [score.as_cp for score in scores] == [9_999, 9_995, 900]
    assert [score.as_cp for score in lost] == [-9_995, -9_999, -10_000]
    assert [score.expected for score in lost] == [0.0, 0.0, 0.0]
    assert scores[0].expected == 1.0


def test_centipawns_are_cut_off_where_mates_begin() -> None:
    """An engine's huge number of centipawns is no mate in a column."""
    assert Score(Side.WHITE, cp=15_000).as_cp == MOST_CP
    assert Score(Side.WHITE, cp=-15_000).as_cp == -MOST_CP


@given(
    st.builds(Score, st.just(Side.BLACK), cp=st.integers(-MOST_CP, MOST_CP))
    | st.builds(Score, st.just(Side.BLACK), mate=st.integers(-500, 500))
)
def test_score_survives_a_column(score: Score) -> None:
    """A column of centipawns gives back the score that it holds."""
    assert Score.from_cp(Side.BLACK, score.as_cp) == score


@pytest.mark.parametrize("values", [{}, {"cp": 10, "mate": 1}])
def test_score_is_one_thing(values: dict[str, int]) -> None:
    """Centipawns and mate exclude each other."""
    with pytest.raises(AssertionError):
        Score(Side.WHITE, **values)


@given(st.floats(-20_000, 20_000))
def test_expected_scores_of_both_sides_make_one(cp: float) -> None:
    """A point is shared; equal positions are worth half of it."""
    assert expected_score(cp) + expected_score(-cp) == pytest.approx(1.0)
    assert 0.0 <= expected_score(cp) <= 1.0


def test_expected_score_of_known_leads() -> None:
    """By the rule a lead of 400 is 10 to 1, and none is an even game."""
    assert expected_score(0) == 0.5
    assert expected_score(400) == pytest.approx(10 / 11)
    assert expected_score(-400) == pytest.approx(1 / 11)


SQUARES = st.integers(0, 63)
PROMOTIONS = st.sampled_from([None, chess.KNIGHT, chess.BISHOP, chess.ROOK, chess.QUEEN])


@given(st.lists(st.tuples(SQUARES, SQUARES, PROMOTIONS), max_size=20))
def test_moves_survive_packing(moves: list[tuple[int, int, int | None]]) -> None:
    """A move packs to 16 bits, and comes back."""
    packed = [pack_move(*move) for move in moves]

    assert [unpack_move(one) for one in packed] == [chess.Move(*move) for move in moves]


@pytest.mark.parametrize("name", ["1000-1099", "800-900", "1199-800", "1000-", "9+", ""])
def test_range_that_no_bands_fill_is_refused(name: str) -> None:
    """Both ends must be those of bands."""
    with pytest.raises(UsageError, match="no band is called"):
        BandScheme((800, 1000, 1200)).within(name)


@pytest.mark.parametrize(
    ("name", "bands"),
    [
        ("800-999", ("800-999",)),
        ("0-999", ("0-799", "800-999")),
        ("1000+", ("1000-1199", "1200+")),
        ("unrated", ("unrated",)),
    ],
)
def test_bands_that_fill_a_range(name: str, bands: tuple[str, ...]) -> None:
    """A band is itself, a range its bands from the lowest on."""
    assert BandScheme((800, 1000, 1200)).within(name) == bands
