"""Stores that grow and shrink, and what they hold, for tests."""

from __future__ import annotations

import random
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from miner.means import Means
from miner.read.stage import read
from miner.settings import ReadSettings
from miner.store import Manifest, Store
from tests.reading import SALT, Tables, game_text, tables_of

LINES = (
    "1. e4 e5 2. Nf3 Nc6 3. Bc4",
    "1. d4 d5 2. c4 e6",
    "1. c4 e5 2. Nc3",
    "1. e4 c5 2. Nf3 d6 3. d4 cxd4",
)
PLAYERS = ("Ada", "Bo", "Cleo", "Dan", "?")


def games_of(seed: int, count: int) -> str:
    """Games of few players, so that many of them are equal; some have no result, an illegal move or a FEN."""
    draw = random.Random(seed)
    texts = []
    for _ in range(count):
        moves = draw.choice(LINES) + draw.choice(["", "", "", " Ke4"])
        tags = {
            "White": draw.choice(PLAYERS),
            "Black": draw.choice(PLAYERS),
            "WhiteElo": str(1000 + draw.randrange(3)),
        }
        if draw.random() < 0.1:
            tags["Variant"] = "Atomic"
        texts.append(game_text(moves, draw.choice(["1-0", "1-0", "*"]), **tags))
        texts.append(draw.choice(["", "", "words between the games\n\n"]))
    return "".join(texts)


def store_of(folder: Path, sources: Sequence[Path], **settings: Any) -> Store:
    """A store that was read from the sources, in one go, under a known salt."""
    store = Store.create(folder)
    (root_of(store) / "salt").write_bytes(SALT)
    read([str(source) for source in sources], store, ReadSettings(**settings), Means(processes=1))
    return store


def told(store: Store) -> tuple[list[dict[str, Any]], list[dict[str, Any]], dict[str, Any]]:
    """All rows with games by source and number, and the counts."""
    manifest = store.require("read")
    tables: Tables = tables_of(store, manifest)
    assert len({game["game"] for game in tables.games}) == len(tables.games)
    place = {game["game"]: (game["source"], game["number"]) for game in tables.games}
    games = sorted(
        ({**game, "game": 0} for game in tables.games), key=lambda game: (game["source"], game["number"])
    )
    moves = sorted(
        ({**move, "game": place[move["game"]]} for move in tables.moves), key=lambda m: (m["game"], m["ply"])
    )
    counts = {name: manifest.facts[name] for name in ("ledger", "games", "skipped_lines")}
    return games, moves, counts | {"rows": manifest.rows, "sources": manifest.inputs["sources"]}


def assert_sound(store: Store) -> None:
    """The manifest names each file as it is, and nothing else lies there."""
    assert store.faults() == []
    manifest: Manifest = store.require("read")
    there = sorted(name for table in ("games", "moves") for name in store.files(table))
    assert sorted(manifest.digests) == there
    assert not (root_of(store) / ".change").exists()


def root_of(store: Store) -> Path:
    """The folder of a store on this machine."""
    assert isinstance(store.root, Path)
    return store.root
