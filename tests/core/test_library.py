"""The core against python-chess, on moves as people write them, and against what does not fit together."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import chess
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from miner.board.moves import unpack_move
from miner.core.library import Core, core
from miner.pgn.reference import ReferenceReader
from tests import strategies
from tests.reading import decode

REFERENCE = ReferenceReader()
CASTLE_SHORT = "e4 e5 Nf3 Nf6 Bc4 Bc5 "
CASTLE_LONG = "d4 d5 Nc3 Nc6 Bf4 Bf5 Qd2 Qd7 "
TWO_KNIGHTS = "Nf3 d6 d3 c6 "  # both can go to d2
PROMOTING = "a4 b5 axb5 a6 bxa6 Bb7 axb7 h6 "
PINNED = "e4 e5 d3 Bb4 "  # the knight on b1 may go to c3, but that on c3 nowhere


@pytest.fixture(scope="module")
def compiled() -> Core:
    """The core, which must be there where the tests run."""
    found = core()
    assert found is not None, "build it: pip install -e . does"
    return found


def moves_of(compiled: Core, line: str) -> tuple[list[str], bool]:
    """The legal moves of a line, and whether it breaks off at an illegal one."""
    decoded = compiled.decode(line.encode(), np.array([0]), np.array([len(line)]), 60)
    return [unpack_move(move).uci() for move in decoded.visits.moves.tolist()], bool(decoded.is_illegal[0])


@pytest.mark.parametrize(
    ("line", "move"),
    [
        (CASTLE_SHORT + "O-O", "e1g1"),
        (CASTLE_SHORT + "0-0", "e1g1"),
        (CASTLE_SHORT + "o-o+", "e1g1"),
        (CASTLE_SHORT + "e1g1", "e1g1"),
        (CASTLE_SHORT + "e1-h1", "e1g1"),
        (CASTLE_SHORT + "e1xh1", "e1g1"),
        (CASTLE_LONG + "O-O-O", "e1c1"),
        (CASTLE_LONG + "0-0-0#", "e1c1"),
        (CASTLE_LONG + "e1a1", "e1c1"),
        (CASTLE_LONG + "O-O-O e8c8", "e8c8"),
        (PROMOTING + "bxa8=Q", "b7a8q"),
        (PROMOTING + "bxa8Q", "b7a8q"),
        (PROMOTING + "b7a8n", "b7a8n"),
        (PROMOTING + "ba8=R", "b7a8r"),
        (TWO_KNIGHTS + "Nbd2", "b1d2"),
        (TWO_KNIGHTS + "N1d2", "b1d2"),
        (TWO_KNIGHTS + "Nb1d2", "b1d2"),
        (TWO_KNIGHTS + "Nb1-d2!?", "b1d2"),
        (TWO_KNIGHTS + "b1d2", "b1d2"),
        ("e4 d5 e4:d5", "e4d5"),
        ("e4 d5 ed5", "e4d5"),
        ("e4 a6 e5 d5 exd6", "e5d6"),
        ("e4 a6 e5 d5 e5d6", "e5d6"),
        (PINNED + "Nc3", "b1c3"),
    ],
)
def test_ways_to_write_a_move(compiled: Core, line: str, move: str) -> None:
    """The last move of each line is legal, however it is written."""
    moves, is_illegal = moves_of(compiled, line)

    assert (moves[-1], is_illegal) == (move, False)


@pytest.mark.parametrize(
    "line",
    [
        CASTLE_SHORT + "O-O-O",
        CASTLE_SHORT + "Kg1",
        CASTLE_SHORT + "Kxh1",
        CASTLE_SHORT + "Ke1g1",
        CASTLE_SHORT + "Ke2 Nc6 Ke1 d6 O-O",
        "e4 e5 Nf3 Nf6 Bc4 d6 Rf1 a6 O-O",
        "f4 e5 Nf3 Qh4 g3 Bc5 Bg2 Bf2 O-O",
        PROMOTING + "bxa8",
        PROMOTING + "bxa8=K",
        PROMOTING + "b7a8",
        TWO_KNIGHTS + "Nd2",
        TWO_KNIGHTS + "Nad2",
        TWO_KNIGHTS + "N2d2",
        PINNED + "Nc3 a6 Nd5",
        PINNED + "Nc3 a6 c3d5",
        "e4 d5 xd5",
        "e4 a6 e5 d5 h3 h6 exd6",
        "e4 --",
        "e4 Z0 d4",
        "e4 e5 Ke3",
        "e5",
        "e2e5",
        "e4 e5 Bh8",
    ],
)
def test_illegal_and_ambiguous_moves_stop_a_line(compiled: Core, line: str) -> None:
    """What comes after is not looked at; python-chess stops at the same ply."""
    found = moves_of(compiled, line)
    [second] = [decode(REFERENCE, line.encode())]

    assert found[1]
    assert len(found[0]) <= len(line.split()) - 1
    assert second.plies[0] == len(found[0])
    assert second.is_illegal[0]


def assert_alike(compiled: Core, *texts: bytes, width: int = 60) -> None:
    """The core says the same as python-chess of each text, whatever it is."""
    sizes = np.array([len(text) + 1 for text in texts], dtype=np.intp)
    ends = np.cumsum(sizes)
    text, begins = b"".join(text + b"\n" for text in texts), ends - sizes
    seen, second = compiled.movetexts(text, begins, ends), REFERENCE.see_moves(text, begins, ends)
    assert [column.tolist() for column in seen] == [column.tolist() for column in second]
    fast, slow = (one.decode(text, begins, ends, width) for one in (compiled, REFERENCE))
    for name in ("plies", "is_illegal", "last_keys"):
        assert getattr(fast, name).tolist() == getattr(slow, name).tolist()
    assert [column.tolist() for column in fast.visits] == [column.tolist() for column in slow.visits]


SQUARES = st.builds("{}{}".format, st.sampled_from("abcdefgh"), st.integers(1, 8))
WRITTEN = st.builds(
    "".join,
    st.tuples(
        st.sampled_from(("", "", "N", "B", "R", "Q", "K")),
        st.sampled_from(("", "", *"abcdefgh")),
        st.sampled_from(("", "", *"12345678")),
        st.sampled_from(("", "", "x", "-", ":")),
        SQUARES,
        st.sampled_from(("", "", "", "=Q", "n", "=", "R", "=k")),
        st.sampled_from(("", "", "+", "#", "!?", "e.p.")),
    ),
)


@st.composite
def rewritten(draw: st.DrawFn) -> bytes:
    """A legal game, some of whose moves are told by more or other than is needed, and one at random."""
    board, words = chess.Board(), []
    for move in draw(strategies.games(max_plies=40)).moves:
        san, uci = board.san(move), move.uci()
        piece = board.piece_at(move.from_square)
        assert piece is not None
        letter = "" if piece.piece_type == chess.PAWN else piece.symbol().upper()
        full = f"{letter}{uci[:2]}{draw(st.sampled_from(('', 'x', '-')))}{uci[2:]}"
        no_sign = san.replace("=", "").replace("x", draw(st.sampled_from(("", ":"))))
        ways = (san, san, san, full, uci, no_sign, san.replace("O", "0"))
        words.append(draw(st.sampled_from(ways)))
        board.push(move)
    words += draw(st.lists(st.one_of(WRITTEN, st.sampled_from(("O-O", "0-0-0", "--", "Z0"))), max_size=2))
    return " ".join(words).encode()


@given(lines=st.lists(rewritten(), min_size=1, max_size=3), width=st.integers(1, 60))
def test_moves_told_otherwise(compiled: Core, lines: list[bytes], width: int) -> None:
    """Moves with too much, too little or the wrong told of them are what python-chess says they are."""
    assert_alike(compiled, *lines, width=width)


@given(st.data())
@settings(max_examples=60)
def test_damaged_texts(compiled: Core, data: st.DataObject) -> None:
    """Comments, variations and signs that are cut, doubled or lost change nothing in that."""
    game = data.draw(strategies.games(max_plies=40))
    text = data.draw(strategies.damaged(data.draw(strategies.messy_movetexts(game))))

    assert_alike(compiled, text.encode())


@given(st.lists(st.binary(max_size=60), max_size=5))
def test_any_bytes(compiled: Core, texts: list[bytes]) -> None:
    """Whatever the text is, both say the same of it."""
    assert_alike(compiled, *texts)


BYTES = [
    "e4",
    "Nf3",
    "{",
    "}",
    "(",
    ")",
    ";",
    "%",
    "\n",
    "$",
    "$1",
    "1.",
    "1-0",
    "*",
    "1/2-1/2",
    " ",
    "é",
    "O-O",
    "x",
]


@given(st.lists(st.sampled_from(BYTES), max_size=30))
def test_any_words(compiled: Core, words: list[str]) -> None:
    """Brackets of all kinds within each other are taken out alike."""
    assert_alike(compiled, "".join(words).encode())


def test_a_move_takes_two_letters(compiled: Core) -> None:
    """There is room for all rows of a text without a blank."""
    assert_alike(compiled, b"e4e5d4d5c4c5b4b5a4a5", b"a3" * 40, b"a3,a6,h3,h6")


def test_threads_read_at_the_same_time(compiled: Core) -> None:
    """The core keeps nothing between calls: eight threads say what one says."""
    game = b"1. e4 {x} e5 2. Nf3 (2. f4) Nc6 3. Bb5 a6 4. Bxc6 dxc6 5. O-O f6 1-0\n"
    text, begins = game * 5_000, np.arange(0, 5_000 * len(game), len(game))
    alone = compiled.decode(text, begins, begins + len(game), 12)

    with ThreadPoolExecutor(8) as pool:
        others = pool.map(lambda _: compiled.decode(text, begins, begins + len(game), 12), range(16))

    for other in others:
        assert [column.tolist() for column in other.visits] == [column.tolist() for column in alone.visits]


@pytest.mark.parametrize(("begin", "end"), [(0, 7), (-1, 3), (4, 3)])
def test_places_outside_the_text_are_refused(compiled: Core, begin: int, end: int) -> None:
    """Nothing is read there."""
    begins, ends = np.array([begin]), np.array([end])

    with pytest.raises((AssertionError, ValueError)):
        compiled.decode(b"e4 e5\n", begins, ends, 10)
    with pytest.raises((AssertionError, ValueError)):
        compiled.movetexts(b"e4 e5\n", begins, ends)
    with pytest.raises(AssertionError):
        compiled.codes(b"e4 e5\n", begins, ends)


def test_stretches_without_an_end_are_refused(compiled: Core) -> None:
    """As many ends as beginnings are needed."""
    with pytest.raises((AssertionError, ValueError)):
        compiled.decode(b"e4 e5\n", np.array([0, 0]), np.array([3]), 10)
    with pytest.raises(AssertionError):
        compiled.codes(b"e4 e5\n", np.array([0, 0]), np.array([3]))


@pytest.mark.parametrize("width", [0, 256])
def test_more_plies_than_are_followed_are_refused(compiled: Core, width: int) -> None:
    """From 1 to 255 are."""
    with pytest.raises((AssertionError, ValueError)):
        compiled.decode(b"e4\n", np.array([0]), np.array([3]), width)


@pytest.mark.parametrize(
    "fen", ["", "8/8/8/8/8/8/8/8 w - - 0 1", "k7/8/9/8/8/8/8/K7 w - - 0 1", "k7/8/8/8/8/8/8/K7"]
)
def test_what_is_no_position_is_refused(compiled: Core, fen: str) -> None:
    """A board has one king a side, and eight squares a rank."""
    with pytest.raises(AssertionError):
        compiled.perft(fen, 1)


def test_equal_stretches_have_equal_numbers(compiled: Core) -> None:
    """Numbers are given in order of appearance, and lead to the first of each."""
    text = b"AdaBoAdaCyBo"
    begins, ends = np.array([0, 3, 5, 8, 10]), np.array([3, 5, 8, 10, 12])

    codes, firsts = compiled.codes(text, begins, ends)

    assert codes.tolist() == [0, 1, 0, 2, 1]
    assert firsts.tolist() == [0, 1, 3]
