"""A report in which the moves of some model games have their comments and stops beside them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from miner.finding.finding import findings_of
from miner.finding.mistake import Reply
from miner.finding.words import joined
from miner.game.choose import annotate, best_of_each, model_games
from miner.game.made import NODES
from miner.game.notes import Told
from miner.game.phrases import comment, stop_words
from miner.game.stops import Stop, answer_words, asked_at, hint_alone, question_words, why_words
from miner.game.story import introduction, said_of, sign_of
from miner.lesson.phrases import ENGLISH, Tongue
from miner.means import USUAL, Means
from miner.report.comments import Ask, Beside, Comments
from miner.report.page import check_page, report
from miner.store import Store

_ENGLISH = Tongue.of(ENGLISH)


@dataclass(frozen=True, slots=True)
class Written:
    """A report that was written: its size, and how many of its model games have comments."""

    size_bytes: int
    games: int


def commented_report(
    store: Store, out: Path, number: int = 0, means: Means = USUAL, *, nodes: int = NODES
) -> Written:
    """Write the report, with comments on a model game of each of the first `number` findings that have one.

    Only these are searched, `nodes` being those of the first look at each position: 0 needs no engine.
    Raises what `report` does, with comments also StoreError if nothing was followed, and EngineFailed.
    """
    check_page(out)
    comments: dict[tuple[Reply, int], Comments] = {}
    if number:
        candidates = model_games(store, findings_of(store.read_table("findings")))
        games = [candidate.game for candidate in best_of_each(candidates)[:number]]
        hash_mb: int = store.require("judge").settings["hash_mb"]
        for told in annotate(games, nodes, means, hash_mb):
            finding = told.seen.game.finding
            assert finding is not None, "the games are those of findings"
            comments[finding.reply, told.seen.game.number] = comments_of(told, nodes)
    return Written(report(store, out, comments), len(comments))


def comments_of(told: Told, nodes: int) -> Comments:
    """What the page shows of a game that was searched: nothing of a move before its stop gives it away."""
    stops = asked_at(told.stops)
    return Comments(
        introduction=joined(introduction(told), comment("searched", nodes=f"{nodes:,}")),
        beside=tuple(
            Beside(
                ply=ply,
                sign=sign_of(told, ply),
                said=said_of(told, ply),
                ask=_ask(stops[ply]) if ply in stops else None,
            )
            for ply in sorted(told.notes.keys() | stops.keys())
        ),
    )


def _ask(stop: Stop) -> Ask:
    return Ask(
        name=stop_words(_ENGLISH, "stop", number=stop.number),
        question=question_words(stop, _ENGLISH),
        hint=hint_alone(stop, _ENGLISH),
        answer=f"{answer_words(stop, _ENGLISH)}. {why_words(stop, _ENGLISH)}",
    )
