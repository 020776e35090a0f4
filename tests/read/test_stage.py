from __future__ import annotations

import bz2
import gzip
import lzma
import multiprocessing
import signal
import subprocess
import sys
import time
import zipfile
from hashlib import sha256
from pathlib import Path
from typing import Any

import chess
import pyarrow.parquet as pq
import pytest
import zstandard
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from miner.errors import MinerError, SourceError
from miner.means import Means, ReaderName
from miner.pgn import batches
from miner.pgn.batches import cut_batches
from miner.pgn.ledger import Numbering, Report
from miner.pgn.sources import find_sources
from miner.read.stage import read
from miner.schema import GAMES, LEDGER_STATES, MOVES
from miner.settings import ReadSettings
from miner.store import Store
from tests import strategies
from tests.reading import each_reader, game_text, read_in_memory, read_tables, read_text, tables_of
from tests.stores import here

ITALIAN = "1. e4 e5 2. Nf3 Nc6 3. Bc4 Bc5"


@each_reader
@pytest.mark.parametrize(
    ("text", "state", "plies"),
    [
        (game_text(ITALIAN), "kept", 6),
        (game_text("1. e4 e5 2. Ke3 Nf6"), "kept to illegal move", 2),
        (game_text("1. e4 e5 2. -- Nf6"), "kept to illegal move", 2),
        (game_text("1. e4 e5 2. Nf3 Nc6 3. Bc4 Bc5 4. 0-0 Nf6"), "kept", 8),
        (game_text("1. Ke3 e5"), "unreadable", 0),
        (game_text(ITALIAN, Variant="Chess960"), "variant", 0),
        (game_text(ITALIAN, Variant="Standard"), "kept", 6),
        (game_text(ITALIAN, FEN="4k3/8/8/8/8/8/4P3/4K3 w - - 0 1", SetUp="1"), "set-up position", 0),
        (game_text(ITALIAN, FEN=chess.STARTING_FEN), "kept", 6),
        (game_text(ITALIAN, "*"), "no result", 0),
        (game_text(""), "no moves", 0),
        (game_text("{forfeit}"), "no moves", 0),
    ],
)
def test_each_game_ends_in_its_state(tmp_path: Path, text: str, state: str, plies: int, reader: str) -> None:
    """What becomes of a game is told by its tags, its result and its first illegal move."""
    tables = read_text(tmp_path, text, reader=reader)

    assert [(game["state"], game["plies"]) for game in tables.games] == [(state, plies)]
    assert len(tables.moves) == plies


@each_reader
def test_illegal_move_after_the_kept_plies_is_not_seen(tmp_path: Path, reader: str) -> None:
    """A game is judged by the plies that are kept, whichever reader decodes it."""
    text = game_text("1. e4 e5 2. Nf3 Nc6 3. Ke8")

    assert read_text(tmp_path / "4", text, reader=reader, plies=4).states == ["kept"]
    assert read_text(tmp_path / "5", text, reader=reader, plies=5).states == ["kept to illegal move"]


@each_reader
@pytest.mark.parametrize("plies", [1, 5, 6, 30])
@pytest.mark.parametrize(
    "moves",
    [
        "1. e4 e5 2. Nf3 Nc6 3.\nBc4 Bc5 4.\n",
        "4. e4 e5 3. Nf3 Nc6 16. Bc4 Bc5",
        "e4 e5 Nf3 Nc6 Bc4 Bc5",
        "1.e4 1...e5 2.Nf3 2...Nc6 3.Bc4 3...Bc5",
    ],
)
def test_move_numbers_are_not_trusted(tmp_path: Path, moves: str, plies: int, reader: str) -> None:
    """Numbers that stand at a line's end, lie, or are missing change nothing."""
    tables = read_text(tmp_path, game_text(moves), reader=reader, plies=plies)

    assert tables.games[0]["plies"] == min(plies, 6)


@pytest.mark.parametrize(
    ("tag", "end", "result", "state"),
    [
        ("1-0", "", "1-0", "kept"),
        ("*", "0-1", "0-1", "kept"),
        ("1-0", "0-1", "1-0", "kept"),
        ("", "", "*", "no result"),
    ],
)
def test_result_tag_decides(tmp_path: Path, tag: str, end: str, result: str, state: str) -> None:
    """The Result tag is believed; where it says nothing, the result after the moves is."""
    tables = read_text(tmp_path, f'[White "Ada"]\n[Result "{tag}"]\n\n{ITALIAN} {end}\n')

    (game,) = tables.games
    assert (game["result"], game["state"]) == (result, state)
    assert bool(game["detail"]) == (bool(end) and tag == "1-0")


def test_ratings_and_players(tmp_path: Path) -> None:
    """A game tells of both players; 0 stands for what is not known."""
    tables = read_text(tmp_path, game_text("1. e4 e5", "0-1", WhiteElo="1500?", BlackElo="-", White="?"))

    (game,) = tables.games
    assert (game["white_rating"], game["black_rating"]) == (1500, 0)
    assert game["white_player"] == 0
    assert game["black_player"] > 0


def test_tables_are_those_of_the_schema(tmp_path: Path) -> None:
    """Columns and types are as declared, and the manifest counts the rows."""
    tables = read_text(tmp_path, game_text(ITALIAN) + game_text("", Variant="Atomic"))

    store = Store.open(tmp_path / "store")
    assert pq.read_table(store.path("games")).schema.equals(GAMES)
    assert pq.read_table(store.path("moves")).schema.equals(MOVES)
    assert tables.manifest.rows == {"games": 2, "moves": 6}
    assert tuple(sorted(tables.manifest.facts["ledger"])) == tuple(sorted(LEDGER_STATES))
    assert sum(tables.manifest.facts["ledger"].values()) == tables.manifest.facts["games"] == 2


@pytest.mark.parametrize("processes", [1, 2])
def test_each_file_is_told_with_its_digest(
    tmp_path: Path, processes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever wrote a file, the manifest names it by its path in the store, with its SHA-256."""
    monkeypatch.setattr(batches, "BATCH_BYTES", 2_000)
    source = tmp_path / "games.pgn"
    source.write_text(many_games(50))

    told = read_tables(tmp_path, [source], processes=processes).manifest.digests

    root = tmp_path / "store"
    there = [file for folder in ("games", "moves") for file in (root / folder).iterdir()]
    assert told == {
        file.relative_to(root).as_posix(): sha256(file.read_bytes()).hexdigest() for file in there
    }
    assert len(told) == 4


def test_place_of_a_game_in_its_source(tmp_path: Path) -> None:
    """A game's row tells its number, line and bytes in its source."""
    text = "\ufeff" + game_text(ITALIAN) + "some text\n\n" + game_text("1. d4 d5")
    _, second = read_text(tmp_path, text).games

    data = text.encode()
    assert second["source"] == str(tmp_path / "games.pgn")
    assert data[second["start_byte"] : second["end_byte"]].startswith(b'[Event "Club"]')
    assert data[second["start_byte"] : second["end_byte"]].strip().endswith(b"d5 1-0")
    assert second["line"] == data[: second["start_byte"]].count(b"\n") + 1
    assert second["number"] == 2


@pytest.mark.parametrize("suffix", [".pgn", ".pgn.gz", ".pgn.bz2", ".pgn.xz", ".pgn.zst", ".zip"])
def test_every_kind_of_file(tmp_path: Path, suffix: str) -> None:
    """A game is the same whatever it is packed in."""
    source = tmp_path / f"club{suffix}"
    data = game_text(ITALIAN).encode()
    pack(source, data)

    tables = read_tables(tmp_path, [source])

    assert tables.states == ["kept"]
    assert len(tables.moves) == 6


def test_last_game_ends_with_its_source(tmp_path: Path) -> None:
    """A text without a last line end has no byte after its last one."""
    text = game_text("1. e4 e5").rstrip()

    (game,) = read_text(tmp_path, text).games

    assert (game["start_byte"], game["end_byte"]) == (0, len(text.encode()))


def pack(source: Path, data: bytes) -> None:
    if source.suffix == ".zip":
        with zipfile.ZipFile(source, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("b/club.pgn", data)
            archive.writestr("readme.txt", "no games")
        return
    packers: dict[str, Any] = {
        ".pgn": bytes,
        ".gz": gzip.compress,
        ".bz2": bz2.compress,
        ".xz": lzma.compress,
        ".zst": zstandard.compress,
    }
    source.write_bytes(packers[source.suffix](data))


def test_many_frames(tmp_path: Path) -> None:
    """A zstd file of many frames, cut anywhere, is read to its end."""
    data = (game_text(ITALIAN) + game_text("1. d4 d5")).encode()
    source = tmp_path / "club.pgn.zst"
    source.write_bytes(b"".join(zstandard.compress(data[at : at + 50]) for at in range(0, len(data), 50)))

    assert read_tables(tmp_path, [source]).states == ["kept", "kept"]


@pytest.mark.parametrize("suffix", [".pgn.gz", ".pgn.bz2", ".pgn.xz", ".pgn.zst"])
def test_truncated_source_keeps_the_games_before(
    tmp_path: Path, suffix: str, caplog: pytest.LogCaptureFixture
) -> None:
    """Where compressed data break off, the games before are kept and the broken end is in the ledger."""
    parts = []
    for number in range(3):
        pack(tmp_path / f"one{suffix}", game_text(ITALIAN, White=f"W{number}").encode())
        parts.append((tmp_path / f"one{suffix}").read_bytes())
    source = tmp_path / f"club{suffix}"
    source.write_bytes(b"".join(parts)[:-12])

    tables = read_tables(tmp_path, [source])

    assert tables.states in (["kept", "unreadable"], ["kept", "kept", "unreadable"])
    assert tables.games[-1]["detail"]
    assert "games before that are kept" in caplog.text


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("none.pgn", None, "no such file"),
        ("club.doc", b"x", "what kind of file"),
        ("club.pgn.zst", b"no zstd at all", "cannot be decompressed"),
        ("club.pgn.gz", b"no gzip at all", "cannot be decompressed"),
        ("club.zip", b"no archive", "archive cannot be read"),
        ("club.pgn", "[Event".encode("utf-16"), "UTF-16"),
    ],
)
def test_source_that_cannot_be_read_at_all(tmp_path: Path, name: str, data: bytes | None, said: str) -> None:
    """A source of no use is named before the store is touched."""
    good, bad = tmp_path / "good.pgn", tmp_path / name
    good.write_text(game_text(ITALIAN))
    if data is not None:
        bad.write_bytes(data)
    before = read_tables(tmp_path, [good]).manifest

    with pytest.raises(SourceError, match=said) as raised:
        read_tables(tmp_path, [good, bad])

    assert name in str(raised.value)
    assert raised.value.advice
    assert Store.open(tmp_path / "store").manifest("read") == before


def test_folders_are_searched_in_order(tmp_path: Path) -> None:
    """A folder's files are read in the order of their names, whatever their kind."""
    folder = tmp_path / "club"
    (folder / "b").mkdir(parents=True)
    pack(folder / "b" / "two.pgn.gz", game_text("1. d4 d5").encode())
    pack(folder / "a.pgn", game_text(ITALIAN).encode())
    (folder / "notes.txt").write_text("no games")

    names = [game["source"] for game in read_tables(tmp_path, [folder]).games]

    assert names == [str(folder / "a.pgn"), str(folder / "b" / "two.pgn.gz")]


def test_standard_input(tmp_path: Path) -> None:
    """`-` reads what is piped in, every time."""
    code = (
        "import sys; from pathlib import Path; from miner.read.stage import read;"
        "from miner.settings import ReadSettings; from miner.store import Store;"
        "print(read(['-'], Store.create(Path(sys.argv[1])), ReadSettings()).facts['games'])"
    )
    command = [sys.executable, "-c", code, str(tmp_path / "store")]

    for games in (1, 2):
        run = subprocess.run(
            command, input=game_text(ITALIAN) * games, capture_output=True, text=True, check=True
        )
        assert run.stdout.strip() == str(games)


def test_reading_again_does_nothing(tmp_path: Path) -> None:
    """Equal sources and settings are not read twice; a changed setting or source is."""
    source = tmp_path / "games.pgn"
    first = read_text(tmp_path, game_text(ITALIAN))
    store = Store.open(tmp_path / "store")
    file = store.path("moves") / "000000.parquet"
    written = here(file).stat().st_mtime_ns

    again = read([str(source)], store, ReadSettings())

    assert again == first.manifest
    assert here(file).stat().st_mtime_ns == written
    assert read([str(source)], store, ReadSettings(plies=4)).rows["moves"] == 4
    source.write_text(game_text(ITALIAN) * 2)
    assert read([str(source)], store, ReadSettings()).rows["games"] == 2


def test_repeated_game_is_kept_once(tmp_path: Path) -> None:
    """The first of equal games is kept, wherever the others come from and however they are written."""
    plain = game_text("1. e4 e5 2. Nf3 Nc6")
    folder = tmp_path / "club"
    folder.mkdir()
    (folder / "a.pgn").write_text(plain + plain)
    (folder / "b.pgn").write_text(
        plain.replace("Nf3", "Nf3 {usual}").replace("Ada", " ADA ").replace("2. ", "2.\n")
    )
    (folder / "c.pgn").write_text(plain.replace("Nc6", "Nf6") + plain.replace("2024", "2023"))

    assert read_tables(tmp_path, [folder]).states == ["kept", "duplicate", "duplicate", "kept", "kept"]


def test_moves_after_the_kept_plies_tell_games_apart(tmp_path: Path) -> None:
    """Two games of the same players that part only after the kept plies are two games."""
    text = game_text("1. e4 e5 2. Nf3 Nc6 3. Bc4") + game_text("1. e4 e5 2. Nf3 Nc6 3. d4")

    assert read_text(tmp_path, text, plies=4).states == ["kept", "kept"]


def test_nameless_games_are_never_repeated_games(tmp_path: Path) -> None:
    """Equal games of unknown players are counted one by one: they may well be different games."""
    text = game_text(ITALIAN, White="?", Black="?") * 3 + game_text(ITALIAN, White="?", Black="Bo") * 2

    assert read_text(tmp_path, text).states == ["kept", "kept", "kept", "kept", "duplicate"]


@pytest.mark.parametrize("names", ["hash", "keep", "drop"])
def test_names(tmp_path: Path, names: str) -> None:
    """Names are hashed with the store's salt, kept, or dropped, as the settings say."""
    tables = read_text(tmp_path, game_text(ITALIAN, Black="?"), names=names)

    (game,) = tables.games
    data = b"".join(file.read_bytes() for file in (tmp_path / "store" / "games").iterdir())
    assert (b"Ada" in data) == (names == "keep")
    assert {"hash": len(game["white"]) == 16, "keep": game["white"] == "Ada", "drop": game["white"] == ""}[
        names
    ]
    assert (game["white_player"] == 0) == (names == "drop")
    assert game["black_player"] == 0


def test_salt_decides_the_hash(tmp_path: Path) -> None:
    """Another salt gives another hash; under the same salt, capitals make no difference."""
    one = read_text(tmp_path / "1", game_text(ITALIAN)).games[0]["white"]
    other = read_text(tmp_path / "2", game_text(ITALIAN), salt=bytes(32)).games[0]["white"]
    capitals = read_text(tmp_path / "3", game_text(ITALIAN, White="ADA ")).games[0]["white"]

    assert one != other
    assert one == capitals


@pytest.mark.parametrize(
    "kept",
    [
        {"since": "2024.09"},
        {"events": ["CLUB"]},
        {"time_classes": ["blitz"]},
        {"results": ["1-0"]},
        {"rated": "rated"},
        {"min_rating": 1000},
        {"max_rating": 1000},
    ],
)
def test_filters(tmp_path: Path, kept: dict[str, Any]) -> None:
    """A game that a header filter leaves out is in the ledger, with the filter, and nowhere else."""
    told = {"Event": "Rated club game", "TimeControl": "300+3", "WhiteElo": "1000", "BlackElo": "1000"}
    other = {
        "Event": "Casual",
        "TimeControl": "60",
        "WhiteElo": "999",
        "BlackElo": "1001",
        "Date": "2024.??.??",
    }
    text = game_text(ITALIAN, **told) + game_text("1. d4 d5", "0-1", **other)

    tables = read_text(
        tmp_path, text, **{name: tuple(v) if isinstance(v, list) else v for name, v in kept.items()}
    )

    assert tables.states == ["kept", "filtered"]
    assert tables.games[1]["detail"]
    assert {row["game"] for row in tables.moves} == {0}


def check_cut(played: list[strategies.Played], text: str, cut: int) -> None:
    """Read whole and in pieces the text gives the same rows, one of the ledger per game."""
    whole = read_in_memory(text)

    assert read_in_memory(text, batch_bytes=cut) == whole
    assert len(whole[0]) == len(played)


@given(file=strategies.messy_files(max_games=10), cut=st.integers(400, 2_000))
@settings(max_examples=20, suppress_health_check=[HealthCheck.too_slow])
def test_ledger_does_not_depend_on_how_the_source_is_cut(
    file: tuple[list[strategies.Played], str], cut: int
) -> None:
    """Each game ends in exactly one ledger row, in the same state, wherever the source is cut."""
    check_cut(*file, cut)


@pytest.mark.slow
@given(file=strategies.messy_files(max_games=10), cut=st.integers(400, 2_000))
@settings(max_examples=500, suppress_health_check=[HealthCheck.too_slow])
def test_ledger_does_not_depend_on_any_cut(file: tuple[list[strategies.Played], str], cut: int) -> None:
    """The same of more games."""
    check_cut(*file, cut)


@each_reader
def test_tables_do_not_depend_on_processes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reader: ReaderName
) -> None:
    """Games are numbered, and repeated ones found, in reading order, however many workers read them."""
    monkeypatch.setattr(batches, "BATCH_BYTES", 20_000)
    source = tmp_path / "games.pgn"
    source.write_text(many_games(500) + many_games(500) + game_text(ITALIAN))

    one = read_tables(tmp_path / "one", [source], processes=1, reader=reader)
    three = read_tables(tmp_path / "three", [source], processes=3, reader=reader)

    assert one.games == three.games
    assert one.moves == three.moves
    assert one.states.count("duplicate") == 500


def many_games(count: int) -> str:
    return "".join(game_text(ITALIAN, White=f"W{number}") for number in range(count))


@pytest.mark.posix
def test_unfinished_read_leaves_no_trace(tmp_path: Path) -> None:
    """After a read that was killed, reading again gives the same tables as if nothing had happened."""
    source = tmp_path / "games.pgn"
    source.write_text(many_games(10_000))
    code = (
        "import sys; from pathlib import Path; from miner.read.stage import read;"
        "from miner.means import Means; from miner.pgn import batches;"
        "from miner.settings import ReadSettings; from miner.store import Store\n"
        "if __name__ == '__main__':\n"
        "    batches.BATCH_BYTES = 50_000\n"
        "    read([sys.argv[1]], Store.create(Path(sys.argv[2])), ReadSettings(), Means(processes=1))\n"
    )
    killed = subprocess.Popen([sys.executable, "-c", code, str(source), str(tmp_path / "store")])
    moves = tmp_path / "store" / ".change" / "moves"
    while not (moves.is_dir() and any(moves.iterdir())):
        assert killed.poll() is None, "the read ended before it could be killed"
        time.sleep(0.005)
    killed.send_signal(signal.SIGKILL)
    killed.wait()
    assert not (tmp_path / "store" / "read.json").exists()

    store = Store.open(tmp_path / "store")
    again = tables_of(store, read([str(source)], store, ReadSettings(), Means(processes=1)))

    fresh = read_tables(tmp_path / "fresh", [source], salt=store.salt)
    assert again.games == fresh.games
    assert again.moves == fresh.moves


def test_killed_worker_is_an_error_that_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker that is killed ends the read with a message, and without a manifest."""
    source = tmp_path / "games.pgn"
    # Enough for batches to both workers: one that has none to do is not missed.
    source.write_text(many_games(2_000))
    monkeypatch.setattr(batches, "BATCH_BYTES", 20_000)
    killed: list[multiprocessing.process.BaseProcess] = []

    def answer_and_kill(numbering: Numbering, report: Report) -> Any:
        if not killed and (started := multiprocessing.active_children()):
            killed.append(started[0])
            killed[0].kill()
        return answer(numbering, report)

    answer = Numbering.answer
    monkeypatch.setattr(Numbering, "answer", answer_and_kill)

    with pytest.raises(MinerError, match="worker process was killed by signal 9"):
        read_tables(tmp_path, [source], processes=2, reader="reference")

    assert not (tmp_path / "store" / "read.json").exists()


def test_small_sources_share_a_batch(tmp_path: Path) -> None:
    """Many small files make one batch, and each keeps its own numbers and lines."""
    for number in range(5):
        (tmp_path / f"{number}.pgn").write_text("\n" * number + game_text(ITALIAN, White=f"W{number}"))
    sources = [tmp_path / f"{number}.pgn" for number in range(5)]

    tables = read_tables(tmp_path, sources)

    assert len(list(cut_batches(find_sources([str(one) for one in sources]), lambda _: None))) == 1
    assert [(game["number"], game["line"], game["start_byte"]) for game in tables.games] == [
        (1, number + 1, number) for number in range(5)
    ]


def test_program_from_standard_input_can_read_in_processes(tmp_path: Path) -> None:
    """Workers need nothing of the program that starts them, so it need not have a file."""
    source = tmp_path / "games.pgn"
    source.write_text(game_text(ITALIAN) + game_text("1. d4 d5 2. c4"))
    program = (
        "from pathlib import Path; from miner.means import Means;"
        "from miner.pgn import batches; from miner.read.stage import read;"
        "from miner.settings import ReadSettings; from miner.store import Store;"
        "batches.BATCH_BYTES = 200;"
        f"print(read([{str(source)!r}], Store.create(Path({str(tmp_path / 'store')!r})), ReadSettings(),"
        " Means(processes=2, reader='reference')).rows['games'])"
    )

    done = subprocess.run([sys.executable, "-"], input=program, capture_output=True, text=True, check=False)

    assert (done.stdout.strip(), done.returncode) == ("2", 0), done.stderr
