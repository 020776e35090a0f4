"""The stage that judges: candidates from the tally, verdicts from engines, one table."""

from __future__ import annotations

import logging
import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from itertools import chain
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from miner.engine.consult import Engines
from miner.engine.dispatch import Work
from miner.judge.candidates import Position, find_candidates, positions_of, tier
from miner.judge.inquiry import UNLIKELY, Judgement, first_look, is_open, likelihood, look_deeper, promise
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
    judgements, asked_nodes = judged_within(positions, settings, engines)
    rows = [_row(judgement, engines.identity.name) for judgement in judgements] + taken_over
    rows.sort(key=lambda row: (row["key"], row["move"]))
    tables = {"judged": pa.Table.from_pylist(rows, schema=JUDGED)}
    facts = _facts(judgements, engines.work) | {
        "min_games": supported.min_games,
        "nodes_asked": asked_nodes,
        "left": sum(len(position.candidates) for position in positions) - len(judgements),
        "taken_over": len(taken_over),
    }
    return store.write_stage("judge", asked, inputs, tables, facts)


FIRST_LOOKS = 0.25
"""Share of the nodes that the first looks may take, at the most; amateurs' games need a tenth."""
DEEPER_LOOKS = 70
"""Times the nodes of the first look that judging a reply takes on average which the first leaves open."""
TOO_LITTLE = 0.03
"""Share of the nodes with which no further round is begun."""


def judged_within(
    positions: list[Position], settings: JudgeSettings, engines: Engines
) -> tuple[list[Judgement], int]:
    """The candidates that are judged with the nodes of the settings, and the nodes that took.

    First each is looked at once. Then deeper searches go to what promises most by that look. Where that
    leaves nodes, another round begins with the candidates that have not been looked at; what is an unlikely
    mistake waits until all have been.
    """
    done: list[Judgement] = []
    waiting: list[Judgement] = []
    to_look, left = positions, settings.nodes_in_all
    while to_look:
        looked, for_looks = engines.ask_within(
            "a first look at the replies",
            [first_look(position, settings) for position in to_look],
            math.ceil(FIRST_LOOKS * left),
            settings.nodes[0] * sum(1 + len(position.candidates) for position in to_look),
        )
        to_look, left = to_look[len(looked) :], left - for_looks
        still_open: list[Judgement] = []
        for judgement in chain.from_iterable(looked):
            (still_open if is_open(judgement, settings) else done).append(judgement)
        if to_look:
            waiting += [one for one in still_open if likelihood(one, settings) < UNLIKELY]
            still_open = [one for one in still_open if likelihood(one, settings) >= UNLIKELY]
        else:
            still_open, waiting = still_open + waiting, []
        deeper, for_deeper = engines.ask_within(
            "judging",
            [look_deeper(some, settings) for some in gathered(still_open, settings)],
            max(1, left) if settings.nodes_in_all else 0,
            DEEPER_LOOKS * settings.nodes[0] * len(still_open),
        )
        done += chain.from_iterable(deeper)
        left -= for_deeper
        if left < TOO_LITTLE * settings.nodes_in_all:
            break
    return done, settings.nodes_in_all - left


def gathered(judgements: list[Judgement], settings: JudgeSettings) -> list[list[Judgement]]:
    """Judgements by position, those that promise most first, equals by key and move.

    Those of a position that promise much less are gathered apart.
    """

    def order(one: Judgement) -> tuple[float, int, int]:
        return -promise(one, settings), one.position.key, one.candidate.packed

    together: dict[tuple[int, int], list[Judgement]] = {}
    for one in sorted(judgements, key=order):
        together.setdefault((tier(promise(one, settings)), one.position.key), []).append(one)
    return list(together.values())


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
    if reply.move == best.move:
        reply = best  # one move has one evaluation: the position's, as the loss is reckoned from it
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


def _facts(judgements: list[Judgement], work: Work) -> dict[str, Any]:
    sound = [judgement for judgement in judgements if not judgement.failure]
    reached = Counter(judgement.looks[-1].nodes for judgement in sound)
    return {
        "candidates": len(judgements),
        "positions": len({judgement.position.key for judgement in judgements}),
        "judged_at_nodes": {str(nodes): count for nodes, count in sorted(reached.items())},
        "inconclusive": len(judgements) - len(sound),
        "without_wdl": sum(not judgement.looks[-1].reply.wdl for judgement in sound),
        "nodes_per_s": round(work.nodes / work.wall_s) if work.wall_s else 0,
        "busy": round(work.busy, 4),
        "engines": work.engines,
    } | work.facts
