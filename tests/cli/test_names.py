"""Names planted wherever a file can hold them, and all that the program leaves and says searched for them."""

from __future__ import annotations

import gzip
import io
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pyarrow.parquet as pq
import pypdf
import pytest

from tests.cli.conftest import CLUB, QUICK, Told
from tests.stores import Game

Miner = Callable[..., Told]

NAME = "Zwirbel"
"""Part of every name and of whatever else could tell who somebody is."""
OF_FILE = "Knuspel"
"""Part of the name of a file, which the store must remember and no page may show."""
Tags = dict[str, str]


def a_line_each(tags: Tags) -> str:
    return "\n".join(f'[{name} "{value}"]' for name, value in tags.items())


SHAPES: dict[str, Callable[[Tags], str]] = {
    "a line each": a_line_each,
    "all on a line": lambda tags: " ".join(f'[{name} "{value}"]' for name, value in tags.items()),
    "without blanks": lambda tags: "".join(f'[{name}"{value}"]' for name, value in tags.items()),
    "in pairs, by tabs": lambda tags: (
        a_line_each(tags).replace('"]\n[B', '"]\t[B').replace('"]\n[W', '"]  [W')
    ),
    "blanks within": lambda tags: "\n".join(f'[ {name}  "{value}" ]' for name, value in tags.items()),
    "indented": lambda tags: "\n".join(f'   [{name} "{value}"]' for name, value in tags.items()),
    "players first": lambda tags: a_line_each(dict(sorted(tags.items(), reverse=True))),
    "no bracket": lambda tags: (
        a_line_each(tags).replace('"]\n[White ', '" [White ').replace('"]\n[Black ', '"[Black ')
    ),
    "no quote": lambda tags: a_line_each(tags).replace('"]\n[W', "]\n[W").replace('"]\n[B', "]\n[B"),
    "quotes in names": lambda tags: a_line_each(
        tags | {side: tags[side].replace(" ", ' "') + '" jr' for side in ("White", "Black")}
    ),
    "a backslash before a quote": lambda tags: (
        '[Remark "Club C:\\\\games\\\\"] ' + a_line_each(tags).replace("\n", " ")
    ),
    "escaped quotes": lambda tags: a_line_each(
        tags | {side: tags[side].replace(" ", ' \\"') + '\\"' for side in ("White", "Black")}
    ),
    "a backslash last": lambda tags: a_line_each(
        tags | {"Opening": "Vienna\\", "White": tags["White"] + "\\"}
    ),
    "everywhere": lambda tags: a_line_each(
        tags
        | {name: f"{NAME} {name}" for name in ("Event", "Site", "Round", "Annotator", "WhiteTeam", "Remark")}
        | {"ECO": f"C25 {NAME}", "WhiteElo": f"1100 {NAME}", "TimeControl": f"{NAME}"}
    ),
    "for a date": lambda tags: a_line_each(tags | {"Date": f"{NAME} 2024", "UTCDate": f"2024 {NAME}"}),
    "for a variant": lambda tags: a_line_each(tags | {"Variant": f"{NAME} chess"}),
    "for a result": lambda tags: a_line_each(tags | {"Result": f"{NAME} won"}),
    "for a position": lambda tags: a_line_each(tags | {"FEN": f"{NAME} w - - 0 1"}),
}


def moves_of(game: Game, number: int) -> str:
    """Move text with names in its comments, one way in each game."""
    first, rest = game.moves.split(" ", 1)
    return [
        f"{game.moves} {game.result}",
        f"{{{NAME} plays}} 1. {first} {{by {NAME}}} ({{{NAME}}} 1. d4) {rest} {game.result}",
        f"; {NAME}\n1. {first} ; {NAME}\n{rest} {game.result} {{{NAME} won}}",
        f"% {NAME}\n{first} {{[%clk 0:10:00] {NAME}}} {rest} {game.result}\n\n{NAME} resigned",
        f"{game.moves} ({NAME} never closes {game.result}",
    ][number % 5]


def planted(number: int, shape: Callable[[Tags], str]) -> str:
    game = CLUB[number % len(CLUB)]
    tags = {
        "Event": "Club",
        "Date": f"2024.{1 + number // 28 % 12:02}.{1 + number % 28:02}",
        "ECO": "C20",
        "Opening": "Open Game",
        "White": f"{NAME} White{number % 7}",
        "Black": f"{NAME} {game.black.replace(' ', '')}",
        "Result": game.result,
        "WhiteElo": str(game.white_rating or "?"),
        "BlackElo": str(game.black_rating or "?"),
    }
    return f"{shape(tags)}\n\n{moves_of(game, number)}\n\n"


@pytest.fixture
def games(tmp_path: Path) -> Path:
    """A folder of games in every shape, of quoted mail, and of text that is no game."""
    folder = tmp_path / "in"
    folder.mkdir()
    for number, (name, shape) in enumerate(SHAPES.items()):
        text = "".join(planted(20 * number + game, shape) for game in range(20))
        data = text.replace("\n", "\r\n" if number % 3 == 1 else "\n").encode(
            "latin-1" if number % 2 else "utf-8"
        )
        (folder / f"{OF_FILE} {number} {name}.pgn").write_bytes(data)
    quoted = "".join(f"> {line}\n" for line in planted(0, a_line_each).splitlines())
    (folder / f"{OF_FILE} mail.pgn").write_text(quoted)
    (folder / f"{OF_FILE} news.pgn").write_text(f"{NAME} won the cup\n\n{planted(1, a_line_each)}")
    (folder / f"{OF_FILE} packed.pgn.gz").write_bytes(gzip.compress(planted(2, a_line_each).encode()))
    return folder


def strings_in(file: Path) -> Iterator[str]:
    """All that a file holds that could be read: its bytes as text, and what is packed in it."""
    data = file.read_bytes()
    yield data.decode("latin-1")
    yield data.decode("utf-16-le", "replace")
    if file.suffix == ".parquet":
        table = pq.read_table(file)
        yield str(table.schema)
        yield from (value for column in table.columns for value in {*map(str, column.to_pylist())})
    elif file.suffix == ".pdf":
        document = pypdf.PdfReader(io.BytesIO(data))
        yield str(document.metadata)
        yield from (page.extract_text() for page in document.pages)
    elif data.startswith(b"SQLite format 3"):
        with closing(sqlite3.connect(file)) as connection:
            yield from connection.iterdump()


def places_of(word: str, folder: Path) -> set[str]:
    """The files below a folder that hold a word, or have it in their names."""
    files = [file for file in folder.rglob("*") if file.is_file()]
    return {
        str(file.relative_to(folder))
        for file in files
        if word.lower() in file.name.lower() or any(word.lower() in text.lower() for text in strings_in(file))
    }


@pytest.mark.engine
@pytest.mark.parametrize("names", ["hash", pytest.param("drop", marks=pytest.mark.slow)])
def test_no_name_is_told(
    miner: Miner, games: Path, engine: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture, names: str
) -> None:
    """Whatever shape its tags have, no name of a player is in store, cache, outputs, pages or messages."""
    out, store = tmp_path / "out", tmp_path / "out" / "store"
    of_engine = ("--engine", engine, "--cache", out / "cache")
    lists = [part for kind in ("csv", "pgn", "epd", "parquet") for part in ("--to", out / f"list.{kind}")]
    commands: list[tuple[object, ...]] = [
        ("run", games, "--store", store, "--names", names, "--side", "both", *of_engine, *QUICK),
        ("status", "--store", store),
        ("show", "--store", store, "--diagrams"),
        ("show", 1, "--store", store),
        ("export", "--store", store, *lists),
        ("report", "--store", store, "--out", out / "report.html"),
        ("lesson", "--store", store, "--out", out / "lesson"),
        ("plan", "--store", store, "--out", out / "plan", "--no-pdf"),
        *[("pupils", "--store", store, "--games", games, "--out", out / "pupils")] * (names == "hash"),
        ("check", "--store", store),
    ]

    told = [miner(*command) for command in commands]
    model = pq.read_table(store / "model_games.parquet")["game"][0].as_py()
    commands.append(("game", model, "--store", store, "--nodes", 500, *of_engine, "--to", out / "game.pgn"))
    told.append(miner(*commands[-1]))

    assert [one.code for one in told] == [0] * len(commands), [one.err for one in told if one.code]
    assert "kept" in told[0].out
    assert (out / "list.csv").read_text().count("\n") > 2  # there are findings, whose lists could tell names
    assert places_of(NAME, out) == set()
    assert NAME.lower() not in str([*told, *caplog.messages]).lower()
    shown = {place for place in places_of(OF_FILE, out) if not place.startswith("store/")}
    assert shown == set()


def test_search_finds_what_is_told(miner: Miner, games: Path, tmp_path: Path) -> None:
    """The same search finds the names where they were asked for: in the store, in each of the shapes."""
    store = tmp_path / "out" / "store"

    miner("read", games, "--store", store, "--names", "keep")

    found = places_of(NAME, tmp_path / "out")
    assert {place.split("/")[1] for place in found} == {"games"}
    rows = [row for file in store.glob("games/*") for row in pq.read_table(file).to_pylist()]
    shapes = {row["source"] for row in rows if NAME in row["white"] and NAME in row["black"]}
    unread = {name for name in SHAPES if not any(source.endswith(f" {name}.pgn") for source in shapes)}
    assert unread == {"no bracket"}  # where nobody can tell what is a tag
