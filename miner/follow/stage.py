"""The stage that follows the games after each losing reply: answers, scores, plans, model games, seasons."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain, islice
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa

from miner.engine.consult import Engines
from miner.finding.aftermath import packed_moves, seasons_of
from miner.finding.finding import is_losing, tells
from miner.follow import asking, lasting, passages, punish
from miner.follow.asking import MOST_LATER_POINTS, Asked, LosingReply, Opinion, Point, Questions, Replies
from miner.follow.models import WonGame, candidates, models_among, review, review_choices
from miner.follow.wins import model_rows, plan_rows, read_whole, sources_now, wins_of
from miner.means import USUAL, Means
from miner.schema import TABLES
from miner.settings import FollowSettings, RankSettings, as_dict
from miner.store import Manifest, Store, empty_tables
from miner.store.query import FAILURES, Resources, connected_to_games
from miner.terms import BandScheme

log = logging.getLogger(__name__)

RowDicts = list[dict[str, Any]]


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
    store.require_current("tally", "judge")
    engines = Engines(means, judged_before.settings["hash_mb"])
    inputs = {"judge": judged_before.fingerprint, "engine": engines.identity.as_dict()}
    asked = as_dict(settings)
    store.begin({"follow": asked})
    manifest = store.finished("follow", asked, inputs)
    if manifest and not sources_now(manifest.facts["sources_missing"], _sources(store)):
        log.info("the losing replies are followed already")
        return manifest
    judged = store.read_table("judged").to_pandas()
    losing = _losing(judged, judged_before.settings)
    if losing.empty:  # DuckDB cannot tell the columns of no files
        tables = empty_tables("follow")
        facts: dict[str, Any] = {"losing_replies": 0, "passages": 0, "inconclusive": 0, "whole_games": 0}
        facts["sources_missing"] = []
    else:
        with _connected(store) as connection:
            # Seasons are compared among games of one kind: a prior's, if there is one.
            first = behind.first if (behind := store.behind) else 0
            given = _Inputs(
                connection, asking.losing_replies(losing), settings, engines, first, _kept_plies(store)
            )
            told = judged[tells(judged) | judged.index.isin(losing.index)]
            tables, facts = _tables(given, losing, told, _sources(store), tallied.settings)
    return store.write_stage("follow", asked, inputs, tables, facts | engines.work.facts)


def _read_stores(store: Store) -> list[Store]:
    """The store, and its prior if there is one."""
    return [store] + ([store.prior] if store.prior else [])


def _sources(store: Store) -> list[dict[str, Any]]:
    """The files that the games were read from, with those of the prior's."""
    return [source for one in _read_stores(store) for source in one.require("read").inputs["sources"]]


def _kept_plies(store: Store) -> int:
    """The plies that were kept of any game, here and in the prior."""
    return min(int(one.require("read").settings["plies"]) for one in _read_stores(store))


def _losing(judged: pd.DataFrame, judged_by: dict[str, Any]) -> pd.DataFrame:
    """The rows of `judged` that are followed: not those that leave their player well enough off.

    These are missed chances, of which nobody asks who punishes them; engines would look at them for nothing.
    """
    thresholds = RankSettings(
        loss_threshold=judged_by["loss_threshold"], tempo_threshold=judged_by["tempo_threshold"]
    )
    is_worse = (judged["exp_reply"] <= thresholds.mistake_score) | (judged["retreat"] != "")
    losing: pd.DataFrame = judged[is_losing(judged, thresholds) & is_worse]
    return losing


@contextmanager
def _connected(store: Store) -> Iterator[duckdb.DuckDBPyConnection]:
    store.require_whole("read")
    try:
        with (
            store.scratch() as spill,
            connected_to_games(
                store.path("moves"), store.path("games"), spill, Resources(), store.behind
            ) as connection,
        ):
            yield connection
    except FAILURES as error:
        raise store.why(
            "read", error, "the games cannot be followed", "check the space on the disk"
        ) from error


@dataclass(frozen=True, slots=True)
class _Inputs:
    """The games, the losing replies by key and move, and the engines to ask about them."""

    connection: duckdb.DuckDBPyConnection
    replies: Replies
    settings: FollowSettings
    engines: Engines
    first_dated: int  # number of the game from which seasons are compared
    kept_plies: int  # that were kept of any game


def _tables(
    given: _Inputs,
    losing: pd.DataFrame,
    told: pd.DataFrame,
    sources: list[dict[str, Any]],
    tallied: dict[str, Any],
) -> tuple[dict[str, pa.Table], dict[str, Any]]:
    connection, settings = given.connection, given.settings
    with given.engines.means.progress.task("finding games", total=4, unit="part") as task:
        count = passages.find_passages(connection, losing, BandScheme.of(tallied))
        task.advance()
        afterwards = passages.count_afterwards(connection)
        task.advance()
        by_month = passages.count_by_date(connection, given.first_dated)
        task.advance()
        first = passages.count_first_answers(connection)
        task.advance()
    right_after = first.drop_duplicates(["key", "move", "at"]).assign(path="")  # no moves lead on to there
    answered = _judge_answers(given, "judging answers", right_after, first, punish.seek)
    passages.keep_punished(connection, punish.good_answers(answered.points, answered.asked))
    last, unsaid = _see_whether_it_lasts(given, told, answered)
    afterwards_of, later = _follow_later(given)
    plans, models, facts = _study_wins(given, sources)
    seasons = seasons_of(by_month, settings.season_starts, tallied["confidence"])
    tables = {
        "followed": _table("followed", answered.rows + afterwards_of.rows),
        "answers": _table("answers", pd.concat([first, later], ignore_index=True)),
        "punishments": _table("punishments", _punishments(given, answered, afterwards_of)),
        "afterwards": afterwards,
        "lasted": _table("lasted", last),
        "model_games": _table("model_games", models),
        "plans": _table("plans", plans),
        "seasons": _table("seasons", seasons),
    }
    failed = answered.failed + afterwards_of.failed + facts.pop("failed") + unsaid
    return tables, {"losing_replies": len(given.replies), "passages": count, "inconclusive": failed} | facts


@dataclass(frozen=True, slots=True)
class _Judged:
    """Positions after losing replies, and what the engine says of the moves there."""

    points: list[Point]
    asked: list[Asked]

    @property
    def rows(self) -> RowDicts:
        """Rows of `followed`."""
        return asking.followed_rows(self.points, self.asked)

    @property
    def failed(self) -> int:
        """In how many of them a search failed."""
        return sum(bool(result.failure) for result in self.asked)


def _judge_answers(
    given: _Inputs,
    task_name: str,
    positions: pd.DataFrame,
    counted: pd.DataFrame,
    inquire: Callable[[Point, FollowSettings], Questions],
) -> _Judged:
    points = asking.points_of(given.replies, positions, counted)
    inquiries = [inquire(point, given.settings) for point in points]
    return _Judged(points, given.engines.ask(task_name, "position", inquiries))


def _table(name: str, rows: RowDicts | pd.DataFrame) -> pa.Table:
    schema = TABLES[name]
    if isinstance(rows, pd.DataFrame):
        return pa.Table.from_pandas(rows[schema.names], schema=schema, preserve_index=False)
    return pa.Table.from_pylist(rows, schema=schema)


def _see_whether_it_lasts(given: _Inputs, told: pd.DataFrame, answered: _Judged) -> tuple[pd.DataFrame, int]:
    """Rows of `lasted`, of all replies whose games say something, and how many searches failed."""
    settings = given.settings
    with given.engines.means.progress.task("sampling games", total=1, unit="part") as task:
        sample = passages.sampled_games(given.connection, told, settings.lasting_games)
        moves = passages.moves_of(given.connection, sample)
        task.advance()
    columns = ["key", "move", "plies", "answer", "kept", "best_move"]
    judged = pd.DataFrame(answered.rows, columns=columns).dropna()
    taught = packed_moves(judged.pop("best_move"))
    judged = judged.assign(is_good=judged["kept"] >= settings.kept, is_taught=judged["answer"] == taught)
    judged = judged.astype({"key": "uint64", "move": "uint16", "answer": "uint16"})
    judged = judged[judged.pop("plies") == 0].merge(told[["key", "move", "fen"]], on=["key", "move"])
    later = lasting.later_of(sample, moves, given.kept_plies)
    games, failed = lasting.evaluated(later, given.engines, settings.lasting_nodes)
    return lasting.lasted(games, later.fens, judged, given.engines.means), failed


def _follow_later(given: _Inputs) -> tuple[_Judged, pd.DataFrame]:
    """The answers in later positions, and how often each was chosen."""
    settings = given.settings
    with given.engines.means.progress.task("looking further", total=2, unit="part") as task:
        positions = passages.later_positions(
            given.connection, moves=settings.moves, min_games=settings.min_games, most=MOST_LATER_POINTS
        )
        task.advance()
        chosen = asking.choices_among(given.replies, positions)
        later = passages.count_later_answers(given.connection, chosen)
        task.advance()
    return _judge_answers(given, "judging later", chosen, later, asking.ask), later


def _punishments(given: _Inputs, answered: _Judged, later: _Judged) -> RowDicts:
    """Rows of `punishments`: good answers, and what to play against the commonest defence.

    What was found in a later position holds there, so that nothing else is said of the same position.
    """
    counted: Any = passages.count_defences(given.connection).itertuples(index=False)
    defences = {(row.key, row.move): row for row in counted}
    known = {(point.reply, point.at): result for point, result in zip(later.points, later.asked, strict=True)}
    defended: dict[LosingReply, Point] = {}
    for point, result in zip(answered.points, answered.asked, strict=True):
        defence = defences.get((point.reply.key, point.reply.move))
        if result.best and defence is not None and defence.games >= punish.LEAST_DEFENCES:
            defended[point.reply] = punish.defended(point, result.best, defence.defence)
    open_points = [there for there in defended.values() if (there.reply, there.at) not in known]
    inquiries = [asking.ask(there, given.settings) for there in open_points]
    asked = given.engines.ask("judging defences", "position", inquiries)
    known |= {(there.reply, there.at): result for there, result in zip(open_points, asked, strict=True)}
    return [
        punish.punishment_row(
            point,
            result,
            defences.get((point.reply.key, point.reply.move)),
            known[point.reply, defended[point.reply].at].best_opinion
            if point.reply in defended
            else Opinion(),
        )
        for point, result in zip(answered.points, answered.asked, strict=True)
    ]


def _study_wins(given: _Inputs, sources: list[dict[str, Any]]) -> tuple[RowDicts, RowDicts, dict[str, Any]]:
    """Rows of `plans` and `model_games`, and facts."""
    settings, progress = given.settings, given.engines.means.progress
    won = passages.won_games(given.connection, most=settings.most_games, least=settings.min_games)
    with progress.task("whole games", total=won["game"].nunique(), unit="game") as task:
        whole, missing = read_whole(won, sources, task.advance)
    unread = sorted(set(won["game"].tolist()) - set(whole))
    kept = passages.kept_lines(given.connection, unread) if unread else {}
    wins: dict[LosingReply, list[WonGame]] = {}
    plans: RowDicts = []
    by_reply: Any = won.groupby(["key", "move"], sort=False)
    with progress.task("plans", total=len(by_reply), unit="reply") as task:
        for key_and_move, rows in by_reply:
            reply = given.replies[key_and_move]
            wins[reply] = wins_of(reply, rows, whole, kept)
            plans += plan_rows(reply, wins[reply], settings.min_games)
            task.advance()
    models, failed = _choose_models(given, wins) if settings.models else ([], 0)
    return plans, models, {"whole_games": len(whole), "sources_missing": missing, "failed": failed}


def _choose_models(given: _Inputs, wins: dict[LosingReply, list[WonGame]]) -> tuple[RowDicts, int]:
    """Rows of `model_games`, and how many games could not be reviewed."""
    most, nodes = given.settings.models, given.settings.model_nodes
    chosen = [candidates([game for game in games if game.is_whole]) for games in wins.values()]
    inquiries = [review(game, nodes) for game in chain(*chosen)]
    reviews = given.engines.ask("model games", "game", inquiries)
    seen = iter(reviews)
    models = [models_among(islice(seen, len(games)), most) for games in chosen]
    inquiries = [review_choices(model, nodes) for model in chain(*models)]
    shown = iter(given.engines.ask("moments", "game", inquiries))
    rows: RowDicts = []
    for reply, of_reply in zip(wins, models, strict=True):
        rows += model_rows(reply, islice(shown, len(of_reply)))
    return rows, sum(bool(result.failure) for result in reviews)
