"""What an error says."""

from __future__ import annotations

import pickle

from miner import errors
from miner.errors import MinerError, Place, SourceError, UsageError


def test_message_says_where_what_and_what_to_do() -> None:
    """The line that a coach sees has the place, the event and the advice, in this order."""
    error = SourceError(
        "the data ends too early", where=Place("club.pgn.zst", game=18_204), advice="copy the file again"
    )

    assert str(error) == "club.pgn.zst, game 18,204: the data ends too early; copy the file again"
    assert (error.what, error.advice) == ("the data ends too early", "copy the file again")


def test_message_without_place_or_advice() -> None:
    """What is not known leaves no gap."""
    assert str(MinerError("no moves")) == "no moves"
    assert str(Place("", line=7)) == "line 7"


def test_place_is_as_exact_as_is_known() -> None:
    """A place names the file, and the game and line where they are known."""
    assert str(Place("club.pgn", game=3, line=41)) == "club.pgn, game 3, line 41"
    assert str(Place("club.pgn")) == "club.pgn"


def test_every_error_is_drawn_in_the_tree() -> None:
    """The tree at the top of the module names each class, and wrong use alone has code 2."""
    kinds = [
        kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, MinerError)
    ]

    assert all(kind.__name__ in (errors.__doc__ or "") for kind in kinds)
    assert {kind for kind in kinds if kind.exit_code == 2} == {UsageError}
    assert {kind.exit_code for kind in kinds} == {1, 2}


def test_error_survives_the_way_from_a_worker() -> None:
    """Pickled and back, an error says the same."""
    error = SourceError("damaged", where=Place("club.pgn", game=3), advice="copy it again")

    assert str(pickle.loads(pickle.dumps(error))) == str(error)
