"""A course put together: chapters with their mistakes, ideas, model games, exercises and a short test."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import chess
import pandas as pd

from miner.board.moves import pack
from miner.course.claims import Answer
from miner.course.lines import Node, chapters_of, in_order, lines_of, way_to, worth_of
from miner.export.scanned import read_through
from miner.finding.finding import Finding
from miner.finding.mistake import Mistake
from miner.finding.moment import moment_of
from miner.finding.motifs import Motifs, read_motifs, rows_of
from miner.follow.plans import Theme, themes_of
from miner.lesson.backing import Backing, ModelGame, read_backing
from miner.lesson.exercises import Exercise, distinct, exercise_of, from_easy_to_hard, task_of
from miner.lesson.moments import Pool
from miner.reasons import REASONS
from miner.steer import Advice
from miner.store import Store
from miner.terms import ALL_BANDS, Kind

EXERCISES, TESTED, MISTAKES, IDEAS = 6, 4, 6, 5
"""The most of each that a chapter holds."""
IDEA_SHARE = 1 / 3
"""Share of a chapter's games from which something that our side does in them is an idea of the chapter."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Idea:
    """What our side does in a chapter's lines, as a row of `plans` has it, and in which share of them."""

    theme: str
    detail: str
    from_square: str
    to_square: str
    share: float


@dataclass(frozen=True, slots=True)
class Model:
    """A model game, the mistake that it shows, and its number in the store."""

    finding: Finding
    game: ModelGame
    number: int


@dataclass(frozen=True, kw_only=True)
class Chapter:
    """A reply of the band and all that follows it in the course."""

    number: int
    node: Node
    value: float  # our expected score (0 to 1) from its first position on, against the band
    price: float  # what it would be if they answered best, with another reply if need be
    ideas: tuple[Idea, ...]
    mistakes: tuple[Finding, ...]  # the opponents', the most valuable first
    pitfalls: tuple[Finding, ...]  # our own
    plans: Mapping[tuple[int, int], tuple[str, ...]]  # of the winners, by losing reply
    model: Model | None
    motifs: str  # in a sentence; empty: nothing is known
    exercises: tuple[Exercise[Mistake], ...]
    tested: tuple[Node, ...]  # positions in which our move is asked for


@dataclass(frozen=True, kw_only=True)
class Course:
    """An opening, lesson by lesson."""

    advice: Advice
    root: Node
    chapters: tuple[Chapter, ...]
    answers: tuple[Answer, ...] = ()  # to what was claimed
    has_repertoire: bool = False

    def rows_at(self, key: int) -> list[Any]:
        """Our moves in a position as `ADVICE_COLUMNS` has them, the course's first."""
        choices = self.advice.choices
        return list(choices[choices["key"] == key].itertuples(index=False))


def course_of(
    store: Store,
    advice: Advice,
    findings: Sequence[Finding],
    answers: Sequence[Answer] = (),
    *,
    has_repertoire: bool = False,
) -> Course:
    """The course that follows from advice, with what the store has found in these positions.

    `findings`: of our side and of these bands, in the order of their value.
    Raises StoreError if a table is there but damaged.
    """
    root = lines_of(advice)
    nodes = in_order(advice, chapters_of(root))
    backing, motifs = read_backing(store), read_motifs(store)
    brought = read_through(store, motifs, profits=advice.side) if motifs and motifs.counts else None
    scanned = store.read_table("scanned").to_pandas() if motifs else None
    shown: set[tuple[str, ...]] = set()
    told: set[tuple[int, int]] = set()
    asked: set[int] = set()
    owners = {(one.before, pack(one.move)): one.line for one in nodes if one.move is not None}
    chapters = []
    for number, node in enumerate(nodes, start=1):
        keys = {one.key for one in (*way_to(root, node), *node.below())}
        here = [
            one
            for one in distinct(findings)
            if one.key in keys and one.reply not in told and owners.get(one.reply, node.line) == node.line
        ]
        told |= {one.reply for one in here}
        traps = [one for one in here if one.kind is Kind.TRAP][:MISTAKES]
        moments = (
            _moments(motifs, scanned, node, advice) if motifs is not None and scanned is not None else []
        )
        exercises = _exercises([*traps, *(one for one in here if one.kind is Kind.PITFALL)], moments, asked)
        asked |= {one.finding.key for one in exercises}
        model = _model(traps, backing, shown)
        if model:
            shown.add(model.game.sans)
        value, price = worth_of(advice, node)
        assert node.key is not None
        chapters.append(
            Chapter(
                number=number,
                node=node,
                value=value,
                price=price,
                ideas=ideas_of(advice, node, [one for one in here if one.kind is Kind.PITFALL]),
                mistakes=tuple(traps),
                pitfalls=tuple(one for one in here if one.kind is Kind.PITFALL)[:MISTAKES],
                plans={one.reply: plan for one in traps if (plan := backing.plan(one))},
                model=model,
                motifs=brought.sentence_at(node.key) if brought else "",
                exercises=tuple(exercises),
                tested=tuple(_tested(node)),
            )
        )
    return Course(
        advice=advice,
        root=root,
        chapters=tuple(chapters),
        answers=tuple(answers),
        has_repertoire=has_repertoire,
    )


def ideas_of(advice: Advice, chapter: Node, pitfalls: Sequence[Finding] = ()) -> tuple[Idea, ...]:
    """What our side does in the lines of a chapter, each line by how often it comes, the commonest first.

    What is told to be a mistake of ours a move before or after is left out, to confuse nobody.
    """
    assert chapter.key is not None
    board = chess.Board(advice.tallied.positions[chapter.key].fen)
    ends = chapter.ends
    whole = sum(end.share for end in ends)
    found: defaultdict[Theme, float] = defaultdict(float)
    for end in ends:
        for theme in themes_of(board, end.line[len(chapter.line) :]):
            found[theme] += end.share / whole
    for finding in pitfalls:
        for theme in [
            one for one in found if one[2:] == (finding.losing_reply_uci[:2], finding.losing_reply_uci[2:4])
        ]:
            del found[theme]
    common = sorted(found.items(), key=lambda pair: (-pair[1], pair[0]))
    return tuple(Idea(**theme._asdict(), share=share) for theme, share in common if share >= IDEA_SHARE)[
        :IDEAS
    ]


def _moments(motifs: Motifs, scanned: pd.DataFrame, node: Node, advice: Advice) -> list[Exercise[Any]]:
    """Mistakes of single games through a chapter's first position that our side may be asked to punish."""
    passed = scanned[scanned["key"] == node.key].set_index("game")["ply"]
    rows = motifs.rows[motifs.rows["game"].isin(passed.index)]
    rows = rows[rows["ply"].to_numpy() >= passed.groupby(level=0).min().reindex(rows["game"]).to_numpy()]
    pool = Pool(motifs=motifs, band=ALL_BANDS, side=advice.side.value)
    moments = map(moment_of, rows_of(rows.drop_duplicates("key").sort_values(["ply", "game"])))
    return [
        pool.exercise(one) for one in moments if REASONS[one.reason].is_tactical and pool.can_be_asked(one)
    ]


def _exercises(
    findings: Iterable[Finding], moments: Iterable[Exercise[Any]], asked: set[int]
) -> list[Exercise[Mistake]]:
    """Recurring positions first, then those of single games; none that an earlier chapter asked."""
    candidates: list[Exercise[Mistake]] = [
        exercise_of(one) for one in findings if task_of(one) and REASONS[one.reason].is_tactical
    ]
    chosen: dict[int, Exercise[Mistake]] = {}
    for one in [*candidates, *moments]:
        if one.finding.key not in asked and len(chosen) < EXERCISES:
            chosen.setdefault(one.finding.key, one)
    return from_easy_to_hard(chosen.values())


def _model(findings: Sequence[Finding], backing: Backing, shown: set[tuple[str, ...]]) -> Model | None:
    """The best model game of a chapter's mistakes that no earlier chapter shows."""
    for finding in findings:
        best = backing.model(finding)
        games = (*([best] if best else []), *backing.others.get(finding.reply, ()))
        for game, number in zip(games, finding.model_games, strict=False):
            if game.sans not in shown:
                return Model(finding, game, number)
    return None


def _tested(node: Node) -> list[Node]:
    """Our moves that are asked for: those that come most often, each position once."""
    ours = [one for one in node.below() if one.is_ours]
    ours.sort(key=lambda one: (-one.share, len(one.line)))
    return ours[:TESTED]
