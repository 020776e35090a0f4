"""The sample of an invented club: what the demo relies on, and that it can be made again."""

from __future__ import annotations

import datetime as dt
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import chess.pgn
import pytest
import zstandard

from miner import pipeline
from miner.means import Means
from miner.scan.motifs import sides_of
from miner.scan.stage import scanned_games
from miner.settings import ReadSettings, ScanSettings, Settings
from miner.store import Store

SAMPLE = Path(__file__).resolve().parent.parent / "data" / "sample"
POINTS = {"1-0": 1.0, "1/2-1/2": 0.5, "0-1": 0.0}


def test_a_club_s_worth_of_games(games: list[chess.pgn.Game]) -> None:
    """Enough games for positions to come up again and again, few enough to try in minutes."""
    assert 1_500 <= len(games) <= 2_000
    assert (SAMPLE / "club.pgn").stat().st_size < 2_000_000


def test_every_move_is_legal(games: list[chess.pgn.Game]) -> None:
    """python-chess reads every game without an error, the odd ones too, and finds moves in each."""
    assert [game.errors for game in games if game.errors] == []
    assert all(game.variations for game in games)


def test_ratings_are_those_of_juniors(games: list[chess.pgn.Game]) -> None:
    """All ratings lie in 700 to 1900, as the demo tells, most in 800 to 1500, and new members have none."""
    tags = [game.headers.get(tag) for game in games for tag in ("WhiteElo", "BlackElo")]

    ratings = [int(tag) for tag in tags if tag is not None]

    assert 700 <= min(ratings) < max(ratings) <= 1900
    assert sum(800 <= rating <= 1500 for rating in ratings) > len(ratings) / 2
    assert 0.01 < tags.count(None) / len(tags) < 0.25


def test_two_seasons(games: list[chess.pgn.Game]) -> None:
    """Games are played from September 2023 to June 2025, in order, and none in the summer holidays."""
    days = [dt.datetime.strptime(game.headers["Date"], "%Y.%m.%d").date() for game in games]

    assert days == sorted(days)
    assert (days[0].year, days[0].month) == (2023, 9)
    assert (days[-1].year, days[-1].month) == (2025, 6)
    assert not {day.month for day in days} & {7, 8}


def test_mate_wins_and_stalemate_draws(games: list[chess.pgn.Game]) -> None:
    """The Result tag says what the last position says."""
    ended = [(game, board) for game in games if (board := game.end().board()).is_game_over()]

    assert len(ended) > 200
    assert [game for game, board in ended if game.headers["Result"] not in (board.result(), "*")] == []


def test_the_better_player_scores_more(games: list[chess.pgn.Game]) -> None:
    """White scores a little more than half; 300 rating points or more are worth at least 75%."""
    scored = [game for game in games if game.headers["Result"] in POINTS]
    white = [POINTS[game.headers["Result"]] for game in scored]
    favourites = [
        score if difference > 0 else 1 - score
        for game, score in zip(scored, white, strict=True)
        if (difference := _rating_difference(game)) is not None and abs(difference) >= 300
    ]

    assert 0.50 < sum(white) / len(white) < 0.56
    assert 0.75 < sum(favourites) / len(favourites) < 0.97


def test_positions_come_up_again(games: list[chess.pgn.Game]) -> None:
    """After four moves each at least ten positions were reached by fifteen games or more."""
    reached = Counter(board.epd() for game in games if (board := _after(game, plies=8)) is not None)

    assert sum(count >= 15 for count in reached.values()) >= 10


def test_no_opening_rules(games: list[chess.pgn.Game]) -> None:
    """The club plays many openings, and the Vienna Game no more than any other side line."""
    openings = Counter(game.headers.get("Opening", "?") for game in games)

    assert len(openings) >= 25
    assert max(openings.values()) < len(games) / 4
    assert openings["Vienna Game"] < 0.05 * len(games)


def test_odd_games_are_few(games: list[chess.pgn.Game], text: str) -> None:
    """As in any club's file: remarks, variations, repeats, one game each set up, unfinished and cut off."""
    movetexts = text.split("\n\n")[1::2]
    commented = [game for game in games if any(node.comment for node in game.mainline())]
    varied = [game for game in games if any(len(node.variations) > 1 for node in game.mainline())]
    repeated = [count for count in Counter(text.split("\n\n[Event ")).values() if count > 1]

    assert sum("FEN" in game.headers for game in games) == 1
    assert sum(game.headers["Result"] == "*" for game in games) == 1
    assert sum(not moves.rstrip().endswith(("1-0", "0-1", "1/2-1/2", "*")) for moves in movetexts) == 1
    assert commented
    assert varied
    assert repeated
    assert len(commented) + len(varied) + len(repeated) + 3 < 0.015 * len(games)


def test_export_format(text: str) -> None:
    """Lines are at most 80 characters long and all of them ASCII, as the PGN standard's export format."""
    assert text.isascii()
    assert max(len(line) for line in text.splitlines() if not line.startswith("[")) <= 80


@pytest.mark.engine
def test_the_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    """Two runs agree to the byte, plain or compressed."""
    engine = shutil.which("stockfish") or shutil.which("/usr/games/stockfish")
    if engine is None:
        pytest.skip("no Stockfish found")
    plain, packed = tmp_path / "a.pgn", tmp_path / "b.pgn.zst"

    for out in (plain, packed):
        command = [sys.executable, str(SAMPLE / "make_sample.py"), "--engine", engine, "--out", str(out)]
        subprocess.run([*command, "--games", "3"], check=True, capture_output=True)

    assert plain.read_bytes().count(b"[Event ") == 3
    assert zstandard.decompress(packed.read_bytes()) == plain.read_bytes()


@pytest.mark.engine
@pytest.mark.slow
def test_mistakes_and_answers_are_as_frequent_as_in_rated_games(engine: Path, tmp_path: Path) -> None:
    """By a scan of 200 games; what rated games of amateurs gave is in docs/measured.md."""
    store = Store.create(tmp_path / "store")
    means = Means(engine=engine, cache=tmp_path / "cache.sqlite")
    pipeline.read([str(SAMPLE / "club.pgn")], store, ReadSettings(), means)
    pipeline.run_later("tally", store, Settings(), means)
    pipeline.run_later("scan", store, Settings(scan=ScanSettings(games=200)), means)
    moments = store.read_table("moments", ["band", "band_other", "found"]).to_pandas()
    seen = sides_of(scanned_games(store), store.bands)["band"]

    mistakes, found = [], []
    for bands in (["800-999", "1000-1199"], ["1200-1399", "1400-1599"], ["1600-1799", "1800-1999"]):
        mistakes.append(moments["band"].isin(bands).sum() / seen.isin(bands).sum())
        found.append(moments.loc[moments["band_other"].isin(bands), "found"].dropna().astype(float).mean())

    assert mistakes == pytest.approx([1.36, 1.04, 0.59], abs=0.4)
    assert found == pytest.approx([0.45, 0.55, 0.62], abs=0.15)
    assert mistakes[0] > mistakes[2]


@pytest.fixture(scope="module")
def text() -> str:
    """The sample as it lies in the project."""
    return (SAMPLE / "club.pgn").read_text(encoding="ascii")


@pytest.fixture(scope="module")
def games() -> list[chess.pgn.Game]:
    """All games of the sample, read by python-chess."""
    return list(_read(SAMPLE / "club.pgn"))


def _read(path: Path) -> Iterator[chess.pgn.Game]:
    with path.open(encoding="ascii") as file:
        while (game := chess.pgn.read_game(file)) is not None:
            yield game


def _rating_difference(game: chess.pgn.Game) -> int | None:
    white, black = game.headers.get("WhiteElo"), game.headers.get("BlackElo")
    return int(white) - int(black) if white and black else None


def _after(game: chess.pgn.Game, plies: int) -> chess.Board | None:
    nodes = list(game.mainline())[:plies]
    return nodes[-1].board() if len(nodes) == plies else None
