"""The stage that follows the games after each losing reply, and writes what came of it."""

from __future__ import annotations

import logging
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa

from miner.errors import Place, StoreError
from miner.follow import passages
from miner.follow.points import (
    MOST_LATER_POINTS,
    choices_among,
    first_points,
    followed_rows,
    later_points,
    punishing,
)
from miner.follow.replies import losing_replies
from miner.judge.cache import VerdictCache
from miner.judge.engines import EngineIdentity
from miner.judge.losing import is_losing
from miner.judge.pool import PoolLimits, Work, consult, identify
from miner.judge.schedule import Found, Inquiry
from miner.progress import Progress, Silent, Task
from miner.schema import AFTERWARDS, ANSWERS, FOLLOWED, MODEL_GAMES, PLANS, SEASONS
from miner.settings import FollowSettings, RankSettings, as_dict
from miner.store import Manifest, Store, stage_before
from miner.tally.replies import Resources, connected
from miner.terms import BandScheme

log = logging.getLogger(__name__)

SCHEMAS = {
    "followed": FOLLOWED,
    "answers": ANSWERS,
    "afterwards": AFTERWARDS,
    "model_games": MODEL_GAMES,
    "plans": PLANS,
    "seasons": SEASONS,
}
"""The tables of the stage."""


def follow(
    store: Store,
    settings: FollowSettings,
    *,
    engine: Path,
    engines: int | None = None,
    cache: Path,
    progress: Progress | None = None,
    limits: PoolLimits | None = None,
) -> Manifest:
    """Follow the games after each losing reply, and write what came of it.

    `engines` None: one per core. Does nothing if the verdicts, the settings and the engine are those of the
    last time, and nothing was inconclusive then. The engines are asked only for what is missing in the cache.
    Raises StoreError if nothing was judged yet, or only for an earlier tally, or for a damaged cache;
    EngineFailed if the engine is of no use.
    """
    judged_before, tallied = store.require("judge"), store.require("tally")
    stale = store.out_of_date()
    if stale in ("tally", "judge"):
        raise StoreError(
            f"the stage `{stage_before(stale)}` was run again since `{stale}`",
            where=Place(str(store.root)),
            advice=f"run `miner {stale}` first, or `miner run`",
        )
    hash_mb = judged_before.settings["hash_mb"]
    identity = identify(engine, hash_mb, limits)
    inputs = {"judge": judged_before.fingerprint, "engine": identity.as_dict()}
    manifest = store.manifest("follow")
    is_current = store.is_current("follow", as_dict(settings), inputs)
    if manifest is not None and is_current and not manifest.facts["inconclusive"]:
        log.info("the losing replies are followed already")
        return manifest
    losing = _losing(store, judged_before.settings)
    asker = _Asker(engine, hash_mb, cache, identity, engines, limits, progress or Silent())
    store.begin("follow")
    if losing.empty:  # DuckDB cannot tell the columns of no files
        tables, facts = {name: schema.empty_table() for name, schema in SCHEMAS.items()}, _no_facts()
    else:
        with _connected(store) as connection:
            bands = BandScheme(tuple(tallied.settings["band_edges"]))
            tables, facts = _follow(connection, losing, bands, settings, asker)
    for name, table in tables.items():
        store.write_table(name, table)
    manifest = Manifest(
        stage="follow",
        settings=as_dict(settings),
        inputs=inputs,
        rows={name: table.num_rows for name, table in tables.items()},
        facts=facts | asker.facts(),
    )
    return store.finish(manifest)


def _losing(store: Store, judged_by: dict[str, Any]) -> pd.DataFrame:
    """The rows of `judged` whose reply is losing by the thresholds of the judge."""
    thresholds = RankSettings(
        loss_threshold=judged_by["loss_threshold"], tempo_threshold=judged_by["tempo_threshold"]
    )
    judged = store.read_table("judged").to_pandas()
    losing: pd.DataFrame = judged[is_losing(judged, thresholds)]
    return losing


@contextmanager
def _connected(store: Store) -> Iterator[duckdb.DuckDBPyConnection]:
    spill = store.root / ".spill"
    try:
        with connected(store.path("moves"), store.path("games"), spill, Resources()) as connection:
            yield connection
    except (duckdb.IOException, duckdb.OutOfMemoryException, duckdb.InvalidInputException) as error:
        raise StoreError(
            f"the games cannot be followed: {error}",
            where=Place(str(store.root)),
            advice="check the space on the disk, or read the sources again",
        ) from error
    finally:
        shutil.rmtree(spill, ignore_errors=True)


@dataclass(slots=True)
class _Asker:
    """Has engines answer inquiries, and adds up their work."""

    engine: Path
    hash_mb: int
    cache: Path
    identity: EngineIdentity
    engines: int | None
    limits: PoolLimits | None
    progress: Progress
    searches: int = 0
    from_cache: int = 0
    nodes: int = 0
    wall_s: float = 0.0
    lost: int = 0

    def ask(self, what: str, unit: str, inquiries: Sequence[Inquiry[Found]]) -> list[Found]:
        """What the inquiries found, in their order."""
        with (
            VerdictCache(self.cache, self.identity) as opened,
            self.progress.task(what, total=len(inquiries), unit=unit) as task,
        ):
            found, work = consult(
                inquiries,
                program=self.engine,
                hash_mb=self.hash_mb,
                cache=opened,
                engines=self.engines,
                limits=self.limits,
                on_progress=_Teller(task).tell,
            )
        self.searches += work.searches
        self.from_cache += work.from_cache
        self.nodes += work.nodes
        self.wall_s += work.wall_s
        self.lost += work.lost
        return found

    def facts(self) -> dict[str, Any]:
        return {
            "searches": self.searches,
            "searches_from_cache": self.from_cache,
            "nodes": self.nodes,
            "wall_s": round(self.wall_s, 3),
            "engines_lost": self.lost,
        }


@dataclass(slots=True)
class _Teller:
    """Passes on how far the pool has come."""

    task: Task
    finished: int = 0

    def tell(self, finished: int, work: Work) -> None:
        if finished > self.finished:
            self.task.advance(finished - self.finished)
            self.finished = finished
        if work.wall_s:
            self.task.facts(f"{work.nodes / work.wall_s:,.0f} nodes/s")


def _no_facts() -> dict[str, Any]:
    return {"losing_replies": 0, "passages": 0, "inconclusive": 0}


def _follow(
    connection: duckdb.DuckDBPyConnection,
    losing: pd.DataFrame,
    bands: BandScheme,
    settings: FollowSettings,
    asker: _Asker,
) -> tuple[dict[str, pa.Table], dict[str, Any]]:
    replies = {(one.key, one.move): one for one in losing_replies(losing)}
    with asker.progress.task("after them", total=3, unit="part") as task:
        count = passages.find_passages(connection, losing, bands)
        task.advance()
        afterwards = passages.count_afterwards(connection)
        task.advance()
        first = passages.count_first_answers(connection)
        task.advance()
    points = first_points(replies, first)
    heard = asker.ask("answers", "position", [one.inquire(settings) for one in points])
    rows = followed_rows(points, heard)
    passages.keep_punished(connection, punishing(rows, settings.kept))
    with asker.progress.task("later on", total=2, unit="part") as task:
        positions = passages.later_positions(
            connection, moves=settings.moves, min_games=settings.min_games, most=MOST_LATER_POINTS
        )
        task.advance()
        chosen = choices_among(replies, positions)
        later = passages.count_later_answers(connection, chosen)
        task.advance()
    points = later_points(replies, chosen, later)
    heard_later = asker.ask("later", "position", [one.inquire(settings) for one in points])
    rows += followed_rows(points, heard_later)
    answers = pd.concat([first, later], ignore_index=True)[ANSWERS.names]
    tables = {
        "followed": _table("followed", pd.DataFrame(rows, columns=FOLLOWED.names)),
        "answers": _table("answers", answers),
        "afterwards": afterwards,
    }
    facts = {
        "losing_replies": len(replies),
        "passages": count,
        "inconclusive": sum(bool(one.failure) for one in [*heard, *heard_later]),
    }
    return {name: schema.empty_table() for name, schema in SCHEMAS.items()} | tables, facts


def _table(name: str, rows: pd.DataFrame) -> pa.Table:
    """Rows as a table, in the order of its first columns."""
    return pa.Table.from_pandas(rows, schema=SCHEMAS[name], preserve_index=False)
