"""What is fuzzed: bytes in; out comes an exception, an AssertionError or another, if something is wrong."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np

from miner.errors import MinerError, UsageError
from miner.pgn.batches import Piece, cut_pieces
from miner.pgn.ledger import BatchReader, Numbering, Pending
from miner.pgn.readers import make_reader
from miner.pgn.sources import Text, find_sources
from miner.pgn.split import last_sure_start, one_line_end, unindented, walk_games
from miner.pgn.tags import TAGS, dates, is_set_up, is_variant, openings, rating_of, time_class_of
from miner.schema import LEDGER_STATES
from miner.settings import ReadSettings, load_settings, to_toml

FEW_BYTES = 64
"""Of a piece, so that even small texts are cut."""


def splitter(data: bytes) -> None:
    """Games found at once are those found step by step, in order, apart, and none is cut by a sure start."""
    text = one_line_end(data)
    assert len(text) == len(data)
    spans, skipped = walk_games(text)
    found = make_reader("auto").find_games(text, np.array([0]))

    assert spans == list(zip(*(array.tolist() for array in found[:3]), strict=True))
    assert list(map(tuple, found.skipped.tolist())) == skipped
    bounds = [place for span in spans for place in span]
    assert bounds == sorted(bounds)
    assert not bounds or bounds[-1] <= len(text)
    assert len({span.start for span in spans}) == len(spans)
    start = last_sure_start(text)
    assert start == 0 or start in {span.start for span in spans}


def pieces(data: bytes) -> None:
    """Wherever a text is cut, its pieces are the text, byte by byte."""
    half = len(data) // 2
    cut = list(cut_pieces(Text("x", iter([data[:half], data[half:]])), FEW_BYTES))

    assert b"".join(piece.text for piece in cut) == unindented(one_line_end(data))
    assert [at for at, piece in enumerate(cut) if piece.begins_text] == ([0] if cut else [])


def headers(data: bytes) -> None:
    """Each game has one value of each tag, and only text within its bounds decides which."""
    text = one_line_end(data)
    reader = make_reader("auto")
    games = reader.find_games(text, np.array([0]))
    columns = reader.read_tags(text, games.starts, games.moves)

    assert set(columns) == set(TAGS)
    for column in (*columns.values(), dates(columns), openings(columns)):
        assert len(column.codes) == len(games.starts)
        for value in column.values:
            assert 0 <= rating_of(value) <= 65_535
            assert time_class_of(value)
            is_set_up(value)
            is_variant(value)
    for number, (start, moves) in enumerate(zip(games.starts.tolist(), games.moves.tolist(), strict=True)):
        alone = reader.read_tags(text[start:moves], np.array([0]), np.array([moves - start]))
        for name in TAGS:
            column = columns[name]
            assert alone[name].values[alone[name].codes[0]] == column.values[column.codes[number]]


def ledger(data: bytes) -> None:
    """Each game that is seen ends in one state, and both readers say the same of it."""
    text = one_line_end(data) or b"\n"
    fast, slow = (_read(reader, text) for reader in ("auto", "reference"))

    assert fast.counts[0].games == len(fast.states)
    assert set(fast.states) <= {*LEDGER_STATES, ""}
    assert fast.states.tolist() == slow.states.tolist()
    assert fast.details.tolist() == slow.details.tolist()
    assert fast.hashes.tolist() == slow.hashes.tolist()
    answer = Numbering().answer(fast.report)
    assert all(ours.equals(other) for ours, other in zip(fast.rows(answer), slow.rows(answer), strict=True))


def _read(reader: str, text: bytes) -> Pending:
    return _batch_reader(reader).read([Piece("x", text, begins_text=True)])


@cache
def _batch_reader(reader: str) -> BatchReader:
    return BatchReader(ReadSettings(plies=12), b"salt", make_reader(reader))  # type: ignore[arg-type]


def settings(data: bytes) -> None:
    """A settings file is one that says the same when it is printed and read again, or wrong use."""
    file = _folder() / "miner.toml"
    file.write_bytes(data)
    try:
        loaded = load_settings(file)
    except UsageError:
        return
    file.write_text(to_toml(loaded), encoding="utf-8")
    assert load_settings(file) == loaded


def names(data: bytes) -> None:
    """Any name stands for files that are there, or is told in letters that can be printed."""
    # Neither upwards nor from the root: what lies there has no end.
    name = re.sub(r"\.{2,}", ".", data.decode("utf-8", "surrogateescape")).lstrip("/")
    try:
        found = find_sources([name])
    except MinerError as error:
        told = str(error).encode("utf-8")
        assert told
        return
    assert all(source.path is None or source.path.is_file() for source in found)


@cache
def _folder() -> Path:
    return Path(tempfile.mkdtemp(prefix="fuzz-"))


TARGETS: dict[str, Callable[[bytes], None]] = {
    "splitter": splitter,
    "pieces": pieces,
    "headers": headers,
    "ledger": ledger,
    "settings": settings,
    "names": names,
}

WORDS = {
    "games": (
        *('[Event "', '[White "', '[Result "1-0"]', '[TimeControl "', '[FEN "', '[Variant "', '"]', '\\"'),
        *("\n\n", "\r\n", "\r", "{", "}", "(", ")", ";", "%", "$1", "1.", "1...", "e4", "e5", "Nf3", "Nc6"),
        *("O-O", "0-0", "--", "1-0", "0-1", "1/2-1/2", "*", "e8=Q", "\ufeff"),
    ),
    "settings": (
        *(
            "[read]\n",
            "[tally]\n",
            "[judge]\n",
            "[rank]\n",
            "plies = ",
            "since = ",
            "events = [",
            "nodes = [",
        ),
        *(
            "keep = [",
            "side = ",
            "band_edges = [",
            "confidence = ",
            "min_rating = ",
            "prior = ",
            "'",
            '"',
            "\n",
        ),
        *("nan", "inf", "1e400", "0x10", "true", "2024-01-01", "{", "}", "]"),
    ),
    "names": ("*", "**", "?", "[", "]", "/", ".pgn", ".zip", ".gz", "-", "\n"),
}
"""What a fuzzer puts together; the last two belong to the targets of that name, the first to all others."""


def words_of(target: str) -> tuple[str, ...]:
    """The words from which a target's texts are made."""
    return WORDS.get(target, WORDS["games"])
