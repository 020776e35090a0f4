"""Games that are made from others in benchmarks/enlarged.py: legal, and new where they are to be new."""

from __future__ import annotations

import io
from pathlib import Path

import chess.pgn
import pytest
import zstandard

from benchmarks.enlarged import FOLLOWED_PLIES, PAIRS, Enlarger
from tests.conftest import ROOT

GAMES = 96
COPIES = 3


@pytest.fixture(scope="module")
def enlarger(tmp_path_factory: pytest.TempPathFactory) -> Enlarger:
    """One that makes its files from some games of the sample club."""
    folder = tmp_path_factory.mktemp("enlarged")
    texts = (ROOT / "data/sample/club.pgn").read_text(encoding="utf-8").split("\n\n[Event ")
    texts = [text for text in texts if "{" not in text][:GAMES]  # without remarks, which it leaves out
    source = folder / "some.pgn"
    source.write_text("\n\n[Event ".join(texts) + "\n\n", encoding="utf-8")
    return Enlarger([source], folder / "made")


def games_in(file: Path) -> list[chess.pgn.Game]:
    """The games as python-chess reads them."""
    text = zstandard.ZstdDecompressor().stream_reader(file.read_bytes()).read().decode("latin-1")
    stream, games = io.StringIO(text), []
    while game := chess.pgn.read_game(stream):
        games.append(game)
    return games


def positions_of(game: chess.pgn.Game) -> list[str]:
    """The positions of a game, as EPD, from the start position on."""
    board = game.board()
    found = [board.epd()]
    for move in game.mainline_moves():
        board.push(move)
        found.append(board.epd())
    return found


@pytest.fixture(scope="module")
def made(enlarger: Enlarger) -> list[chess.pgn.Game]:
    """The games themselves, then some copies."""
    return games_in(enlarger.file_of(GAMES * (1 + COPIES)))


def test_there_are_as_many_as_were_asked_for(made: list[chess.pgn.Game], enlarger: Enlarger) -> None:
    """Of few games those that are taken lie evenly among all."""
    fewer = games_in(enlarger.file_of(GAMES // 4))

    assert len(made) == GAMES * (1 + COPIES)
    assert [positions_of(one) for one in fewer] == [positions_of(one) for one in made[:GAMES:4]]


def test_every_move_is_legal(made: list[chess.pgn.Game]) -> None:
    """For the reference reader, too."""
    assert [game.errors for game in made if game.errors] == []


def test_a_copy_follows_its_game_and_leaves_it(made: list[chess.pgn.Game], enlarger: Enlarger) -> None:
    """Up to the ply where it leaves the positions are the same; of those that follow hardly any are."""
    behind = met_before = 0
    for number, game in enumerate(made[:GAMES]):
        at = enlarger.leave_at[number]
        own = positions_of(game)
        for copy in range(1, COPIES + 1):
            others = positions_of(made[copy * GAMES + number])
            behind += len(others[at + 2 :])
            met_before += len(set(others[at + 2 :]) & set(own))

            assert at <= FOLLOWED_PLIES
            assert others[: at + 1] == own[: at + 1]
            assert others[at + 2] not in own

    assert met_before < 0.05 * behind


def test_copies_leave_by_different_moves(made: list[chess.pgn.Game], enlarger: Enlarger) -> None:
    """Each has positions of its own."""
    number = next(number for number, at in enumerate(enlarger.leave_at) if at)
    at = enlarger.leave_at[number]

    after = {positions_of(made[copy * GAMES + number])[at + 2] for copy in range(COPIES + 1)}

    assert len(after) == COPIES + 1


def test_players_of_copies_are_new(made: list[chess.pgn.Game]) -> None:
    """Nobody plays in two copies, and as many play in each; so no copy is a repeated game."""
    players = [
        {
            game.headers[side]
            for game in made[copy * GAMES : (copy + 1) * GAMES]
            for side in ("White", "Black")
        }
        for copy in range(COPIES + 1)
    ]

    assert {len(one) for one in players} == {len(players[0])}
    assert len(set().union(*players)) == sum(map(len, players))


def test_added_games_are_in_no_file_that_they_are_added_to(
    made: list[chess.pgn.Game], enlarger: Enlarger
) -> None:
    """Their players are not, either."""
    added = games_in(enlarger.more_than(GAMES * (1 + COPIES), 0.05))

    assert len(added) == round(GAMES * (1 + COPIES) * 0.05)
    assert not {one.headers["White"] for one in added} & {one.headers["White"] for one in made}


def test_there_is_an_end_to_it(enlarger: Enlarger) -> None:
    """More copies than pairs of moves would be exact ones."""
    with pytest.raises(SystemExit, match=f"{len(PAIRS) + 1} times"):
        enlarger.file_of(GAMES * (len(PAIRS) + 2))
