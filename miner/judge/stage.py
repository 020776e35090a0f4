"""The stage that judges: candidates from the tally, verdicts from engines, one table."""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from itertools import chain
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from miner.engine.consult import Engines
from miner.engine.dispatch import Work
from miner.judge.candidates import ALL_LOOKS, Position, find_candidates, positions_of
from miner.judge.inquiry import Judgement, inquire
from miner.means import USUAL, Means
from miner.schema import JUDGED, METHODS
from miner.settings import JudgeSettings, as_dict
from miner.store import Manifest, Store

log = logging.getLogger(__name__)


def judge(store: Store, settings: JudgeSettings, means: Means = USUAL) -> Manifest:
    """Judge the replies that are frequent enough, and write the table `judged`.

    Does nothing if the tally, the settings and the engine are those of the last time, and nothing was
    inconclusive then. The engines are asked only for what is missing in the cache: after an interruption for
    the rest, after a finished run for what was inconclusive.
    Raises StoreError without a tally or for a damaged cache, EngineNotFound or EngineFailed if the engine is
    of no use, ClusterFailed.
    """
    tally = store.require("tally")
    engines = Engines(means, settings.hash_mb)
    inputs, asked = {"tally": tally.fingerprint, "engine": engines.identity.as_dict()}, as_dict(settings)
    store.begin({"judge": asked})
    if manifest := store.finished("judge", asked, inputs):
        log.info("the replies are judged already")
        return manifest

    positions, supported = to_judge(store, settings)
    if 0 < 2 * settings.min_games < (floor := tally.facts.get("min_games", 0)):
        log.warning(
            "replies of %d games are asked for, but positions of fewer than %d were not tallied: "
            "run `miner tally` with --min-games-at-position, too",
            settings.min_games,
            floor,
        )
    known = judged_before(store, engines.identity.as_dict(), settings)
    positions, taken_over = without_known(positions, known, settings)
    judged, asked_nodes = engines.ask_within(
        "judging",
        [inquire(position, settings) for position in positions],
        settings.nodes_in_all,
        expected_nodes(positions, settings),
    )
    judgements = list(chain.from_iterable(judged))
    rows = [_row(judgement, engines.identity.name) for judgement in judgements] + taken_over
    rows.sort(key=lambda row: (row["key"], row["move"]))
    tables = {"judged": pa.Table.from_pylist(rows, schema=JUDGED)}
    facts = _facts(judgements, len(judged), engines.work) | {
        "min_games": supported.min_games,
        "nodes_asked": asked_nodes,
        "left": sum(len(position.candidates) for position in positions) - len(judgements),
        "taken_over": len(taken_over),
    }
    return store.write_stage("judge", asked, inputs, tables, facts)


Verdicts = Mapping[tuple[int, int], dict[str, Any]]
"""Rows of `judged` by key and packed move."""

_CHANGE_NO_VERDICT = {"min_games", "min_players", "nodes_in_all"}


def judged_before(store: Store, engine: dict[str, Any], settings: JudgeSettings) -> Verdicts:
    """What was judged in the store's prior by the same engine and in the same way; nothing without a prior.

    Raises what `Store.prior` does.
    """
    prior = store.prior
    before = prior.manifest("judge") if prior else None
    if prior is None or before is None or prior.missing_files(before):
        return {}
    same_way = before.method == METHODS["judge"] and all(
        before.settings[name] == value
        for name, value in as_dict(settings).items()
        if name not in _CHANGE_NO_VERDICT
    )
    if not same_way or before.inputs["engine"] != engine:
        return {}
    rows = prior.read_table("judged").to_pylist()
    return {(row["key"], row["move"]): row for row in rows if row["state"] == "judged"}


def without_known(
    positions: list[Position], known: Verdicts, settings: JudgeSettings
) -> tuple[list[Position], list[dict[str, Any]]]:
    """The positions with the candidates that are left to judge, and the rows of the others.

    A candidate whose players score clearly less is looked at twice at least, as `goes_on` has it.
    """
    left, rows = [], []
    for position in positions:
        is_open = [
            (row := known.get((position.key, candidate.packed))) is None
            or (candidate.promoted and row["nodes"] == settings.nodes[0])
            for candidate in position.candidates
        ]
        some = tuple(one for one, still in zip(position.candidates, is_open, strict=True) if still)
        rows += [
            known[position.key, one.packed]
            for one, still in zip(position.candidates, is_open, strict=True)
            if not still
        ]
        if some:
            left.append(replace(position, candidates=some))
    return left, rows


def to_judge(store: Store, settings: JudgeSettings) -> tuple[list[Position], JudgeSettings]:
    """All that could be judged, in the order of judging, and the settings with the games a reply needs."""
    tallied = store.read_table("positions", ["key", "fen", "games"])
    games = pc.max(tallied["games"]).as_py() or 0
    supported = replace(settings, min_games=settings.enough_games(games))
    replies, reach = store.read_table("replies"), store.read_table("reach")
    foreseen = store.read_table("foreseen")
    found = find_candidates(replies, reach, tallied, foreseen, store.bands.names, supported)
    return positions_of(found, tallied), supported


def expected_nodes(positions: list[Position], settings: JudgeSettings) -> int:
    """Nodes that judging all these will take, about: the first look at each, and what the deeper ones add."""
    return ALL_LOOKS * settings.nodes[0] * sum(1 + len(position.candidates) for position in positions)


def _row(judgement: Judgement, engine: str) -> dict[str, Any]:
    row: dict[str, Any] = {
        "key": judgement.position.key,
        "fen": judgement.position.fen,
        "move": judgement.candidate.packed,
        "engine": engine,
        "retreat": judgement.retreat.move if judgement.retreat else "",
        "retreat_loss": judgement.retreat.loss if judgement.retreat else None,
        "defences": [" ".join(line) for line in judgement.defences],
        "nodes": judgement.looks[-1].nodes if judgement.looks else 0,
        "nodes_before": 0,
        "best_move": "",
        **dict.fromkeys(("wdl_best", "wdl_reply", "pv_best", "pv_reply"), ()),
        "state": "inconclusive" if judgement.failure else "judged",
        "detail": judgement.failure,
    }
    if judgement.failure:
        return row
    best, reply = judgement.looks[-1].best, judgement.looks[-1].reply
    if len(judgement.looks) > 1:
        row |= {"nodes_before": judgement.looks[-2].nodes, "loss_before": judgement.looks[-2].loss}
    return row | {
        "best_move": best.move,
        "cp_best": best.score.as_cp,
        "cp_reply": reply.score.as_cp,
        "exp_best": best.score.expected,
        "exp_reply": reply.score.expected,
        "loss": judgement.loss,
        "wdl_best": best.wdl,
        "wdl_reply": reply.wdl,
        "pv_best": best.pv,
        "pv_reply": reply.pv,
    }


def _facts(judgements: list[Judgement], positions: int, work: Work) -> dict[str, Any]:
    sound = [judgement for judgement in judgements if not judgement.failure]
    reached = Counter(judgement.looks[-1].nodes for judgement in sound)
    return {
        "candidates": len(judgements),
        "positions": positions,
        "judged_at_nodes": {str(nodes): count for nodes, count in sorted(reached.items())},
        "inconclusive": len(judgements) - len(sound),
        "without_wdl": sum(not judgement.looks[-1].reply.wdl for judgement in sound),
        "nodes_per_s": round(work.nodes / work.wall_s) if work.wall_s else 0,
        "busy": round(work.busy, 4),
        "engines": work.engines,
    } | work.facts
