"""Advice from small stores, with a real engine."""

from __future__ import annotations

import io
import sqlite3
from contextlib import closing
from pathlib import Path

import chess
import chess.pgn
import pandas as pd
import pytest

from miner.board.moves import pack
from miner.errors import UsageError
from miner.graph.repertoire import Repertoire
from miner.means import Means
from miner.settings import SteerSettings
from miner.steer import Advice, advise
from miner.steer.advise import find_start
from miner.steer.written import advice_table, csv_bytes, headline, parquet_bytes, pgn_bytes
from miner.store import Store
from miner.terms import Side
from tests.stores import Game, board_after, here, key_after, tallied_store

pytestmark = pytest.mark.engine

BAND = "1000-1199"
QUICK = SteerSettings(nodes=3000, min_games=3, min_reach=0.01, draws=50)


def games(moves: str, count: int, result: str = "1-0") -> list[Game]:
    """So many games of the band."""
    return [Game(moves=moves, result=result, white_rating=1100, black_rating=1100)] * count


CLUB = [
    # The band answers the Scotch soundly, but half of it loses a piece after 2.Nf3 Nc6 3.Bc4 Nd4 4.Nxe5.
    *games("e4 e5 Nf3 Nc6 d4 exd4 Nxd4 Nf6 Nc3", 12),
    *games("e4 e5 Nf3 Nc6 Bc4 h6 d4 exd4 Nxd4", 6),
    *games("e4 e5 Nf3 Nc6 Bc4 g5 Nxg5 Qxg5 d4", 8),
    *games("e4 e5 Nf3 f6 Nxe5 fxe5 Qh5 g6", 8),
    *games("d4 d5 c4 e6 Nc3 Nf6", 10),
    # Transposes: 2...Nc6 after 1...Nc6.
    *games("e4 Nc6 Nf3 e5 Bc4 h6", 5),
]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """A tallied store of the club's games."""
    return tallied_store(tmp_path_factory.mktemp("steer"), CLUB)


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cache of verdicts that the module's tests share."""
    return tmp_path_factory.mktemp("cache") / "verdicts.sqlite"


@pytest.fixture(scope="module")
def advice(store: Store, engine: Path, cache: Path) -> Advice:
    """White's advice from the start of the game."""
    return advise(store, Side.WHITE, BAND, QUICK, Means(engine=engine, cache=cache))


def rows_after(advice: Advice, moves: str) -> pd.DataFrame:
    """The choices in a position, by move."""
    rows = advice.choices[advice.choices["key"] == key_after(moves)]
    return rows.set_index("move")


def test_one_move_is_recommended_in_each_position(advice: Advice) -> None:
    """And it is a sound one, of the highest lower bound among those."""
    for _, rows in advice.choices.groupby("key"):
        [best] = rows[rows["is_recommended"]].to_dict("records")
        assert best["is_sound"]
        assert best["value_low"] == rows.loc[rows["is_sound"], "value_low"].max()


def test_numbers_hang_together(advice: Advice) -> None:
    """Values lie in their intervals, shares between 0 and 1; a price is no more than a value with traps."""
    choices = advice.choices

    assert (choices["value_low"] <= choices["value"] + 1e-9).all()
    assert (choices["value"] <= choices["value_high"] + 1e-9).all()
    assert choices["reach"].between(0.0, 1.0 + 1e-9).all()
    assert choices.loc[choices["is_engine_choice"], "loss"].eq(0.0).all()
    assert advice.value[0] == pytest.approx(choices["value"].iloc[0])


def test_trap_is_told_with_its_line(advice: Advice) -> None:
    """2...f6 loses to 3.Nxe5: it carries part of what 2.Nf3 is worth."""
    nf3 = rows_after(advice, "e4 e5").loc["Nf3"]

    assert nf3["is_recommended"]
    assert nf3["popular_with"] == "band"
    assert "Nf3 f6 (" in nf3["traps"]
    assert nf3["value"] > nf3["price"]


def test_transposition_is_one_position(advice: Advice) -> None:
    """1.e4 Nc6 2.Nf3 e5 leads to 1.e4 e5 2.Nf3 Nc6: one place in the tree, reached on both ways."""
    e5 = advice.tallied.answers(key_after("e4 e5 Nf3"))
    nc6 = next(one.rate for one in e5 if one.move == pack(board_after("e4 e5 Nf3").parse_san("Nc6")))
    by_e5 = advice.reach[key_after("e4 e5 Nf3")] * nc6

    assert advice.reach[key_after("e4 e5 Nf3 Nc6")] > by_e5


def test_same_call_again_gives_the_same(advice: Advice, store: Store, engine: Path, cache: Path) -> None:
    """Everything is drawn and searched alike, without a new search; and the store stays as it was."""
    before, searched = sorted(here(store.root).rglob("*")), _searches(cache)

    again = advise(store, Side.WHITE, BAND, QUICK, Means(engine=engine, cache=cache))

    pd.testing.assert_frame_equal(again.choices, advice.choices)
    assert sorted(here(store.root).rglob("*")) == before
    assert _searches(cache) == searched > 0


def _searches(cache: Path) -> int:
    with closing(sqlite3.connect(cache)) as file:
        [count] = file.execute("select count(*) from verdicts").fetchone()
    return int(count)


def test_soundness_excludes_what_loses_too_much(store: Store, engine: Path, cache: Path) -> None:
    """With a margin of nothing only the engine's own moves are recommended."""
    strict = SteerSettings(nodes=3000, min_games=3, min_reach=0.01, draws=50, soundness=0.0)

    choices = advise(store, Side.WHITE, BAND, strict, Means(engine=engine, cache=cache)).choices

    assert (choices.loc[choices["is_recommended"], "loss"] == 0.0).all()


def test_start_may_be_moves_or_a_fen(store: Store, engine: Path, cache: Path) -> None:
    """Both name the same position; the way to it is told."""
    board = board_after("e4 e5 Nf3 Nc6")
    by_moves = advise(
        store, Side.WHITE, BAND, QUICK, Means(engine=engine, cache=cache), start="1.e4 e5 2.g1f3 Nc6"
    )
    by_fen = advise(store, Side.WHITE, BAND, QUICK, Means(engine=engine, cache=cache), start=board.fen())

    assert by_moves.choices["path"].iloc[0] == "e4 e5 Nf3 Nc6"
    assert by_fen.choices["path"].iloc[0] == "e4 e5 Nf3 Nc6"
    assert by_moves.choices["value"].tolist() == by_fen.choices["value"].tolist()


@pytest.mark.parametrize(
    ("start", "says"), [("1.e4 e5 2.Ke3", "cannot be played"), ("x/y", "no FEN"), ("1.h4", "too few games")]
)
def test_bad_start_is_told_of(advice: Advice, start: str, says: str) -> None:
    """An illegal move, a broken FEN and a position without games are wrong use."""
    with pytest.raises(UsageError, match=says):
        find_start(advice.tallied, start)


def test_unknown_band_is_told_of(store: Store, engine: Path, cache: Path) -> None:
    """A band that the tally does not have is wrong use."""
    with pytest.raises(UsageError, match="no band is called"):
        advise(store, Side.WHITE, "1000-1100", QUICK, Means(engine=engine, cache=cache))


def test_position_may_be_the_opponents(store: Store, engine: Path, cache: Path) -> None:
    """From 1.e4 on Black is to move: the tree begins with the band's answers."""
    advice = advise(store, Side.WHITE, BAND, QUICK, Means(engine=engine, cache=cache), start="1.e4")

    assert advice.choices["path"].iloc[0] == "e4 e5"
    assert 0.5 < advice.value[0] < 1.0


def test_position_without_the_band_is_told_of(store: Store, engine: Path, cache: Path) -> None:
    """Nobody of another band answered 1.e4 here."""
    with pytest.raises(UsageError, match="no player of the band 1600-1799"):
        advise(store, Side.WHITE, "1600-1799", QUICK, Means(engine=engine, cache=cache), start="1.e4")


def test_band_without_games_gets_the_engines_moves(store: Store, engine: Path, cache: Path) -> None:
    """Where nothing is known of the opponents the engine's first choice is all there is."""
    choices = advise(store, Side.WHITE, "1600-1799", QUICK, Means(engine=engine, cache=cache)).choices

    assert choices.loc[choices["is_recommended"], "is_engine_choice"].tolist() == [True]
    assert (choices["games"] == 0).all()


def test_repertoire_is_kept_to(store: Store, engine: Path, cache: Path) -> None:
    """A repertoire with 1.d4 has it recommended, although 1.e4 is there to compare."""
    d4 = pack(chess.Move.from_uci("d2d4"))
    repertoire = Repertoire(Side.WHITE, {key_after(""): (d4,)})

    advice = advise(store, Side.WHITE, BAND, QUICK, Means(engine=engine, cache=cache), repertoire=repertoire)

    rows = rows_after(advice, "")
    assert rows.index[rows["is_recommended"]].tolist() == ["d4"]
    assert "e4" in rows.index


def test_repertoire_of_the_other_side_is_told_of(store: Store, engine: Path, cache: Path) -> None:
    """Black's repertoire says nothing of White's moves."""
    with pytest.raises(UsageError, match="Black's"):
        advise(
            store,
            Side.WHITE,
            BAND,
            QUICK,
            Means(engine=engine, cache=cache),
            repertoire=Repertoire(Side.BLACK, {}),
        )


def test_pgn_is_read_back(advice: Advice) -> None:
    """A second program reads one game: our recommendation as main line, the band's replies as variations."""
    text = io.StringIO(pgn_bytes(advice).decode())
    game, rest = chess.pgn.read_game(text), chess.pgn.read_game(text)
    assert game is not None

    first = game.variations[0]
    recommended = advice.choices.loc[advice.choices["is_recommended"], "move"].iloc[0]
    assert game.errors == []
    assert first.san() == recommended
    assert "points" in first.comment
    assert {reply.san() for reply in first.variations} >= {"e5", "Nc6"}
    assert all(len(line) < 80 for line in text.getvalue().splitlines())
    assert rest is None


def test_losing_reply_has_its_nag_in_the_pgn(advice: Advice) -> None:
    """2...f6 carries a question mark, and our answer follows."""
    game = chess.pgn.read_game(io.StringIO(pgn_bytes(advice).decode()))
    assert game is not None

    [f6] = [
        node
        for node in _nodes(game)
        if isinstance(node, chess.pgn.ChildNode) and node.board().fen() == board_after("e4 e5 Nf3 f6").fen()
    ]
    assert f6.nags & {chess.pgn.NAG_MISTAKE, chess.pgn.NAG_BLUNDER}
    assert f6.variations


def _nodes(node: chess.pgn.GameNode) -> list[chess.pgn.GameNode]:
    return [node, *(one for child in node.variations for one in _nodes(child))]


def test_lists_are_read_back(advice: Advice) -> None:
    """CSV and Parquet hold the choices."""
    csv = pd.read_csv(io.BytesIO(csv_bytes(advice)))
    parquet = pd.read_parquet(io.BytesIO(parquet_bytes(advice)))

    pd.testing.assert_frame_equal(parquet, advice.choices, check_dtype=False)
    assert csv["move"].tolist() == advice.choices["move"].tolist()
    assert [int(key, 16) for key in csv["key"]] == advice.choices["key"].tolist()


def test_table_fits_the_terminal(advice: Advice) -> None:
    """No line is wider than asked for; the first position is told first."""
    table = advice_table(advice, top=3, width=72)

    assert max(len(line) for line in table.splitlines()) <= 72
    assert "after the start position" in table
    assert headline(advice).startswith("White against players rated 1000-1199, from the start position: ")
