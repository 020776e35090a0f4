"""Tests of the cache of verdicts."""

from __future__ import annotations

import dataclasses
import sqlite3
from pathlib import Path

import chess
import pytest

from miner.engine.cache import VerdictCache
from miner.engine.identity import EngineIdentity
from miner.engine.verdicts import Request, Verdict
from miner.errors import StoreError
from miner.terms import Score, Side
from tests.judge.tables import board_after

ENGINE = EngineIdentity("Some Engine 1", "ab" * 32, (("Hash", "16"), ("Threads", "1")))
REQUEST = Request.of(board_after("e4"), 1000, (chess.Move.from_uci("e7e5"), chess.Move.from_uci("c7c5")))
VERDICT = Verdict(Score(Side.BLACK, cp=-31), ("e7e5", "g1f3"), 1003, 9, (30, 880, 90), 0.25)


def test_verdict_outlives_the_run(tmp_path: Path) -> None:
    """What one run added the next one finds, whole, also mates and verdicts without win/draw/loss."""
    mate = Verdict(Score(Side.WHITE, mate=2), ("e2e4",), 10, 3)
    with VerdictCache(tmp_path / "new folder" / "verdicts.sqlite", ENGINE) as cache:
        cache.add(REQUEST, VERDICT)
        cache.add(Request.of(chess.Board(), 1000), mate)
        at_once = cache.find(REQUEST)

    with VerdictCache(tmp_path / "new folder" / "verdicts.sqlite", ENGINE) as cache:
        later = cache.find(REQUEST), cache.find(Request.of(chess.Board(), 1000))

    assert at_once == VERDICT
    assert later == (VERDICT, mate)


@pytest.mark.parametrize(
    ("engine", "request_"),
    [
        (dataclasses.replace(ENGINE, name="Some Engine 2"), REQUEST),
        (dataclasses.replace(ENGINE, sha256="cd" * 32), REQUEST),
        (dataclasses.replace(ENGINE, options=(("Hash", "64"), ("Threads", "1"))), REQUEST),
        (ENGINE, dataclasses.replace(REQUEST, nodes=2000)),
        (ENGINE, dataclasses.replace(REQUEST, searchmoves=("e7e5",))),
        (ENGINE, dataclasses.replace(REQUEST, searchmoves=())),
        (ENGINE, Request.of(board_after("d4"), 1000, ())),
    ],
)
def test_another_search_is_not_found(tmp_path: Path, engine: EngineIdentity, request_: Request) -> None:
    """Engine, program, options, position, moves and nodes each make another search."""
    with VerdictCache(tmp_path / "verdicts.sqlite", ENGINE) as cache:
        cache.add(REQUEST, VERDICT)

    with VerdictCache(tmp_path / "verdicts.sqlite", engine) as cache:
        found = cache.find(request_)

    assert found is None


def test_first_verdict_stands(tmp_path: Path) -> None:
    """The file is only added to, also when two runs have asked for the same."""
    path = tmp_path / "verdicts.sqlite"
    with VerdictCache(path, ENGINE) as one, VerdictCache(path, ENGINE) as other:
        one.add(REQUEST, VERDICT)
        other.add(REQUEST, dataclasses.replace(VERDICT, seconds=9.0))
        one.commit()
        other.commit()

        found = other.find(REQUEST)

    assert found == VERDICT


@pytest.mark.parametrize(
    "content", [b"this is no database, though long enough to look like one" * 50, b"short"]
)
def test_damaged_file_is_named(tmp_path: Path, content: bytes) -> None:
    """A file that is no cache gives an error that says which, and what to do."""
    path = tmp_path / "verdicts.sqlite"
    path.write_bytes(content)

    with pytest.raises(
        StoreError, match=r"verdicts\.sqlite: the cache of verdicts is damaged.*move the file away"
    ):
        VerdictCache(path, ENGINE)


def test_file_of_another_format_is_refused(tmp_path: Path) -> None:
    """A cache of a later program is left alone."""
    path = tmp_path / "verdicts.sqlite"
    with sqlite3.connect(path) as file:
        file.execute("PRAGMA user_version = 99")
    file.close()

    with pytest.raises(StoreError, match="format 99"):
        VerdictCache(path, ENGINE)


def test_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    """A file where a folder should be gives one line of error."""
    (tmp_path / "file").touch()

    with pytest.raises(StoreError, match="cannot be"):
        VerdictCache(tmp_path / "file" / "verdicts.sqlite", ENGINE)
