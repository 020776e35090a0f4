"""The stage that follows the games after each losing reply, and writes what came of it."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa

from miner.engine.cache import VerdictCache
from miner.engine.identity import EngineIdentity
from miner.engine.pool import advancing, consult, identify
from miner.engine.schedule import Found, Inquiry
from miner.errors import Place, StoreError
from miner.finding.losing import is_losing
from miner.finding.seasons import seasons_of
from miner.follow import passages
from miner.follow.asking import Asked, LosingReply, losing_replies
from miner.follow.models import Review, candidates, models_among, review, review_choices
from miner.follow.points import (
    MOST_LATER_POINTS,
    choices_among,
    first_points,
    followed_rows,
    later_points,
    punishing,
)
from miner.follow.wins import Win, model_rows, plan_rows, read_texts, sources_now, wins_of
from miner.means import USUAL, Means
from miner.progress import Progress
from miner.schema import AFTERWARDS, ANSWERS, FOLLOWED, MODEL_GAMES, PLANS, SEASONS
from miner.settings import FollowSettings, RankSettings, as_dict
from miner.store import Manifest, Store, stage_before
from miner.tally.replies import FAILURES, Resources, connected
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


def follow(store: Store, settings: FollowSettings, means: Means = USUAL) -> Manifest:
    """Follow the games after each losing reply, and write what came of it.

    Does nothing if the verdicts, the settings and the engine are those of the last time, and nothing was
    inconclusive or missing then. The engines are asked only for what is missing in the cache. Whole games are
    read from the sources once more; without a source there are no model games of it, which is said in the
    manifest's facts.
    Raises StoreError if nothing was judged yet, or only for an earlier tally, or for a damaged cache;
    EngineNotFound or EngineFailed if the engine is of no use, ClusterFailed.
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
    identity = identify(means, hash_mb)
    inputs = {"judge": judged_before.fingerprint, "engine": identity.as_dict()}
    manifest = store.manifest("follow")
    is_current = store.is_current("follow", as_dict(settings), inputs)
    if manifest is not None and is_current and not _can_do_better(manifest, store.require("read")):
        log.info("the losing replies are followed already")
        return manifest
    losing = _losing(store, judged_before.settings)
    asker = _Asker(means, hash_mb, identity)
    if losing.empty:  # DuckDB cannot tell the columns of no files
        tables, facts = {name: schema.empty_table() for name, schema in SCHEMAS.items()}, _no_facts()
    else:
        with _connected(store) as connection:
            replies = {(one.key, one.move): one for one in losing_replies(losing)}
            ground = _Ground(connection, replies, settings, asker)
            tables, facts = _tables(ground, losing, store.require("read"), tallied.settings)
    store.begin("follow")
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


def _can_do_better(manifest: Manifest, read: Manifest) -> bool:
    """Whether searches failed the last time, or sources were missing that are there again."""
    missing = manifest.facts["sources_missing"]
    return bool(manifest.facts["inconclusive"] or sources_now(missing, read.inputs["sources"]))


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
    store.require_whole("read")
    try:
        with (
            store.scratch() as spill,
            connected(store.path("moves"), store.path("games"), spill, Resources()) as connection,
        ):
            yield connection
    except FAILURES as error:
        raise store.why(
            "read", error, "the games cannot be followed", "check the space on the disk"
        ) from error


@dataclass(slots=True)
class _Asker:
    """Has engines answer inquiries, and adds up their work."""

    means: Means
    hash_mb: int
    identity: EngineIdentity
    searches: int = 0
    from_cache: int = 0
    nodes: int = 0
    wall_s: float = 0.0
    lost: int = 0

    def ask(self, what: str, unit: str, inquiries: Sequence[Inquiry[Found]]) -> list[Found]:
        """What the inquiries found, in their order."""
        with (
            VerdictCache(self.means.cache_file, self.identity) as cache,
            self.means.progress.task(what, total=len(inquiries), unit=unit) as task,
        ):
            found, work = consult(
                inquiries, self.means, hash_mb=self.hash_mb, cache=cache, on_progress=advancing(task)
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


@dataclass(frozen=True, slots=True)
class _Ground:
    """What the stage works on."""

    connection: duckdb.DuckDBPyConnection
    replies: dict[tuple[int, int], LosingReply]
    settings: FollowSettings
    asker: _Asker

    @property
    def progress(self) -> Progress:
        return self.asker.means.progress


Rows = list[dict[str, Any]]
Wins = dict[tuple[int, int], list[Win]]


def _tables(
    ground: _Ground, losing: pd.DataFrame, read: Manifest, tallied: dict[str, Any]
) -> tuple[dict[str, pa.Table], dict[str, Any]]:
    """All tables, and facts for the manifest."""
    connection, settings = ground.connection, ground.settings
    with ground.progress.task("finding games", total=4, unit="part") as task:
        count = passages.find_passages(connection, losing, BandScheme(tuple(tallied["band_edges"])))
        task.advance()
        afterwards = passages.count_afterwards(connection)
        task.advance()
        by_month = passages.count_by_date(connection)
        task.advance()
        first = passages.count_first_answers(connection)
        task.advance()
    points = first_points(ground.replies, first)
    heard = ground.asker.ask("judging answers", "position", [one.inquire(settings) for one in points])
    rows = followed_rows(points, heard)
    passages.keep_punished(connection, punishing(rows, settings.kept))
    later_rows, later, heard_later = _follow_later(ground)
    plans, models, facts = _study_wins(ground, read)
    answers = pd.concat([first, later], ignore_index=True)
    tables = {
        "followed": _table("followed", rows + later_rows),
        "answers": pa.Table.from_pandas(answers[ANSWERS.names], schema=ANSWERS, preserve_index=False),
        "afterwards": afterwards,
        "model_games": _table("model_games", models),
        "plans": _table("plans", plans),
        "seasons": pa.Table.from_pandas(
            seasons_of(by_month, settings.season_starts, tallied["confidence"]),
            schema=SEASONS,
            preserve_index=False,
        ),
    }
    failed = sum(bool(one.failure) for one in [*heard, *heard_later]) + facts.pop("failed")
    return tables, {"losing_replies": len(ground.replies), "passages": count, "inconclusive": failed} | facts


def _table(name: str, rows: Rows) -> pa.Table:
    return pa.Table.from_pylist(rows, schema=SCHEMAS[name])


def _follow_later(ground: _Ground) -> tuple[Rows, pd.DataFrame, list[Asked]]:
    """The answers in later positions: rows of `followed`, counts, and what was heard."""
    settings = ground.settings
    with ground.progress.task("looking further", total=2, unit="part") as task:
        positions = passages.later_positions(
            ground.connection, moves=settings.moves, min_games=settings.min_games, most=MOST_LATER_POINTS
        )
        task.advance()
        chosen = choices_among(ground.replies, positions)
        later = passages.count_later_answers(ground.connection, chosen)
        task.advance()
    points = later_points(ground.replies, chosen, later)
    heard = ground.asker.ask("judging later", "position", [one.inquire(settings) for one in points])
    return followed_rows(points, heard), later, heard


def _study_wins(ground: _Ground, read: Manifest) -> tuple[Rows, Rows, dict[str, Any]]:
    """Rows of `plans` and `model_games`, and facts."""
    settings = ground.settings
    won = passages.won_games(ground.connection, most=settings.most_games, least=settings.min_games)
    with ground.progress.task("whole games", total=won["game"].nunique(), unit="game") as task:
        texts = read_texts(won, read.inputs["sources"], task.advance)
    unread = sorted(set(won["game"].tolist()) - set(texts.whole))
    kept = passages.kept_lines(ground.connection, unread) if unread else {}
    wins: Wins = {}
    plans: Rows = []
    by_reply: Any = won.groupby(["key", "move"], sort=False)
    with ground.progress.task("plans", total=len(by_reply), unit="reply") as task:
        for name, rows in by_reply:
            wins[name] = wins_of(ground.replies[name], rows, texts.whole, kept)
            plans += plan_rows(ground.replies[name], wins[name], settings.min_games)
            task.advance()
    models, failed = _choose_models(ground, wins)
    facts = {"whole_games": len(texts.whole), "sources_missing": texts.missing, "failed": failed}
    return plans, models, facts


def _choose_models(ground: _Ground, wins: Wins) -> tuple[Rows, int]:
    """Rows of `model_games`, and how many games could not be reviewed."""
    settings = ground.settings
    if not settings.models:
        return [], 0
    chosen = [
        (name, game)
        for name, games in wins.items()
        for game in candidates([one.as_won_game for one in games if one.whole])
    ]
    heard = ground.asker.ask(
        "model games", "game", [review(game, settings.model_nodes) for _, game in chosen]
    )
    reviews: dict[tuple[int, int], list[Review]] = {}
    for (name, _), one in zip(chosen, heard, strict=True):
        reviews.setdefault(name, []).append(one)
    models = [(name, one) for name, seen in reviews.items() for one in models_among(seen, settings.models)]
    told = ground.asker.ask(
        "moments", "game", [review_choices(one, settings.model_nodes) for _, one in models]
    )
    rows: Rows = []
    for name in reviews:
        of_reply = [seen for (whose, _), seen in zip(models, told, strict=True) if whose == name]
        rows += model_rows(ground.replies[name], of_reply, wins[name])
    return rows, sum(bool(one.failure) for one in heard)


def _no_facts() -> dict[str, Any]:
    return {"losing_replies": 0, "passages": 0, "inconclusive": 0, "whole_games": 0, "sources_missing": []}
