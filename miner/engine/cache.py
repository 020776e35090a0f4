"""Verdicts that outlive a run and serve every store: an SQLite file that is only ever added to."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from miner.engine.identity import EngineIdentity
from miner.engine.verdicts import Request, Verdict, mover
from miner.errors import StoreError, cause
from miner.terms import Score

FORMAT = 1
BUSY_S = 30.0  # another run may be writing its second's worth of verdicts

_TABLES = """
CREATE TABLE IF NOT EXISTS verdicts (
    engine TEXT NOT NULL,       -- digest of its name, program and options
    fen TEXT NOT NULL,
    searchmoves TEXT NOT NULL,  -- sorted, space-separated; empty: all
    budget INTEGER NOT NULL,    -- nodes asked for
    nodes INTEGER NOT NULL,     -- nodes searched
    depth INTEGER NOT NULL,
    cp INTEGER,
    mate INTEGER,
    wdl TEXT NOT NULL,
    pv TEXT NOT NULL,
    seconds REAL NOT NULL,
    PRIMARY KEY (engine, fen, searchmoves, budget)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS engines (engine TEXT PRIMARY KEY, described TEXT NOT NULL);
"""
_FIND = """SELECT cp, mate, pv, nodes, depth, wdl, seconds FROM verdicts
    WHERE engine = ? AND fen = ? AND searchmoves = ? AND budget = ?"""
_ADD = "INSERT OR IGNORE INTO verdicts VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"


class VerdictCache:
    """The verdicts of one engine in the cache file; use as a context, and `commit` now and then.

    Two runs may share a file; threads must take turns with one object. A killed run loses what it had not
    committed, and nothing else.
    """

    def __init__(self, path: Path, engine: EngineIdentity) -> None:
        self.path = path
        self.engine = engine
        self._fresh: dict[Request, Verdict] = {}
        with self._explained():
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file = sqlite3.connect(path, timeout=BUSY_S, check_same_thread=False)
            try:
                self._prepare()
            except BaseException:
                self._file.close()
                raise

    def _prepare(self) -> None:
        # With a write-ahead log a kill cannot harm the file; a power cut may lose the last commits at most.
        self._file.execute("PRAGMA journal_mode = WAL")
        self._file.execute("PRAGMA synchronous = NORMAL")
        (found,) = self._file.execute("PRAGMA user_version").fetchone()
        if found not in (0, FORMAT):
            raise self._failure(f"has format {found}, this program {FORMAT}", "name another cache file")
        self._file.executescript(_TABLES)
        self._file.execute(f"PRAGMA user_version = {FORMAT}")
        with self._file:
            self._file.execute(
                "INSERT OR IGNORE INTO engines VALUES (?, ?)",
                (self.engine.digest, json.dumps(self.engine.as_dict())),
            )

    def __enter__(self) -> VerdictCache:
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self.commit()
        finally:
            self._file.close()

    def find(self, request: Request) -> Verdict | None:
        """The verdict of this engine on the same search in any run; None: it was never asked."""
        if request in self._fresh:
            return self._fresh[request]
        with self._explained():
            row = self._file.execute(_FIND, self._key(request)).fetchone()
        if row is None:
            return None
        cp, mate, pv, nodes, depth, wdl, seconds = row
        score, shares = Score(mover(request), cp, mate), tuple(map(int, wdl.split()))
        return Verdict(score, tuple(pv.split()), nodes, depth, shares, seconds)

    def add(self, request: Request, verdict: Verdict) -> None:
        """Keep a verdict; it is on disk after the next `commit`."""
        self._fresh[request] = verdict

    def commit(self) -> None:
        """Write what was added since the last time."""
        if not self._fresh:
            return
        rows = [self._row(request, verdict) for request, verdict in self._fresh.items()]
        with self._explained(), self._file:
            self._file.executemany(_ADD, rows)
        self._fresh.clear()

    def _key(self, request: Request) -> tuple[str, str, str, int]:
        return self.engine.digest, request.fen, " ".join(request.searchmoves), request.nodes

    def _row(self, request: Request, verdict: Verdict) -> tuple[object, ...]:
        score, wdl, pv = verdict.score, " ".join(map(str, verdict.wdl)), " ".join(verdict.pv)
        searched = verdict.nodes, verdict.depth
        return *self._key(request), *searched, score.cp, score.mate, wdl, pv, verdict.seconds

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.OperationalError as error:
            # Without room for its list of who reads what, SQLite speaks of no full disk.
            has_no_room = getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_IOERR_SHMSIZE
            what = f"cannot be used: {'the disk is full' if has_no_room else cause(error)}"
            advice = (
                "see that its folder has room, can be written to and no other run holds it, or name another"
            )
            raise self._failure(what, advice) from error
        except sqlite3.DatabaseError as error:
            advice = "move the file away; what it held will be searched again"
            raise self._failure(f"is damaged: {error}", advice) from error
        except OSError as error:
            what, advice = f"cannot be made: {cause(error)}", "name a folder you may write to"
            raise self._failure(what, advice) from error

    def _failure(self, what: str, advice: str) -> StoreError:
        return StoreError(f"the cache of verdicts {what}", where=self.path, advice=advice)
