"""A lesson and a term's plan: made of a store's findings and moments, and written to a folder."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, time
from pathlib import Path

from miner.errors import UsageError
from miner.finding.few import few_words
from miner.finding.finding import findings_of
from miner.finding.mistake import Mistake
from miner.finding.motifs import MotifCount, group_of, read_motifs
from miner.finding.words import counted
from miner.lesson.backing import read_backing
from miner.lesson.exercises import Exercise, choose
from miner.lesson.files import lesson_files, write_files
from miner.lesson.moments import TAUGHT_AT_ONCE, Pool, exercises_about, mixed, motif_lessons
from miner.lesson.own_games import positions_in
from miner.lesson.plan import Plan, Weekday, plan_files, session_days
from miner.lesson.sheets import Looks
from miner.lesson.term import Session, motif_topics, term
from miner.rank.asked import asked_findings
from miner.settings import Taught
from miner.store import Store
from miner.terms import ALL_BANDS


@dataclass(frozen=True, kw_only=True, slots=True)
class Made:
    """What was written for a lesson or a term."""

    found: int  # findings that there were to choose from
    files: Sequence[Path]
    deleted: Sequence[Path]  # files of an earlier call
    exercises: Sequence[Exercise[Mistake]] = ()  # of a lesson, in the order of the sheet
    sessions: Sequence[Session] = ()  # of a term

    def __repr__(self) -> str:
        kind, made = ("session", self.sessions) if self.sessions else ("exercise", self.exercises)
        return f"<{counted(len(made), kind)}: {', '.join(map(str, self.files))}>"


def make_lesson(
    store: Store,
    out: Path,
    looks: Looks,
    *,
    side: Taught | None = None,
    bands: Sequence[str] = (),
    top: int = 12,
    only: Sequence[int] = (),
    motifs: Sequence[str] = (),
    without: Sequence[str] = (),
    start: date | None = None,
) -> Made:
    """Write exercises to the folder `out`: sheets, answers and the coach's pages, PGN, EPD and cards.

    `only`: keys of positions; `motifs`: names as `miner motifs` lists them; `without`: the pupils' own
    games, of whose positions none is taken; `start`: first day of the cards.
    Raises UsageError if nothing is left to print, for a motif that is not listed, or if both motifs and
    positions are asked for; ExportError without the typesetter.
    """
    if motifs and only:
        raise UsageError("a motif has no position", advice="give --motif or --only")
    findings = findings_of(asked_findings(store, side=side, bands=bands))
    pool = pool_of(store, bands, side or "both", without)
    topics = topics_of(pool, motifs, bands) if not only else []
    about = [] if motifs else choose(findings, side=side or "both", keys=list(only), top=top)
    exercises = mixed(about, exercises_about(pool, topics, top) if pool else [], top)
    if not exercises:
        few = few_words(store, len(findings), bands)
        raise UsageError("no finding is left to print", advice=few or "ask for both sides")
    taught = motif_lessons(pool, topics, exercises) if pool else []
    files, deleted = write_files(
        out, lesson_files(exercises, looks, read_backing(store), start, taught), "lesson"
    )
    return Made(found=len(findings), files=files, deleted=deleted, exercises=exercises)


def pool_of(store: Store, bands: Sequence[str], side: Taught, without: Sequence[str]) -> Pool | None:
    """The moments of a store that may become exercises; None: nothing was scanned.

    Left out is what recurs, which findings tell of, and what is met in the games of `without`.
    """
    motifs = read_motifs(store)
    if motifs is None:
        return None
    asked_for = bands or store.require("rank").settings["bands"]
    recurring = store.read_table("positions", ["key"])["key"].to_pylist()
    own = positions_in(store, without).tolist() if without else []
    return Pool(motifs=motifs, band=group_of(asked_for), side=side, known=frozenset([*recurring, *own]))


def topics_of(pool: Pool | None, names: Sequence[str], bands: Sequence[str]) -> list[MotifCount]:
    """The motifs that are asked for, or those that cost the band most.

    Raises UsageError for a motif that is not listed.
    """
    if pool is None:
        if names:
            raise UsageError("no game was scanned for motifs", advice="`miner scan` does that")
        return []
    if not names:
        return pool.topics[:TAUGHT_AT_ONCE]
    listed = {count.motif: count for band in (ALL_BANDS, pool.band) for count in pool.motifs.of_band(band)}
    for name in names:
        if name not in listed:
            asked = "".join(f" --band {band}" for band in bands)
            raise UsageError(f"no motif is called {name!r}", advice=f"`miner motifs{asked}` lists them")
    return [listed[name] for name in names]


def make_plan(
    store: Store,
    out: Path,
    looks: Looks,
    *,
    sessions: int = 8,
    minutes: int = 60,
    side: Taught | None = None,
    bands: Sequence[str] = (),
    start: date | None = None,
    weekday: Weekday | None = None,
    at: time | None = None,
    without: Collection[date] = (),
    sheets: bool = False,
) -> Made:
    """Write a term's sessions to the folder `out`, as text, PDF and, where a `start` is given, calendar.

    `at`: when they begin; `without`: days without a session; `sheets`: also each session's exercises. There
    are fewer sessions than asked for where topics lack.
    Raises UsageError for days without a first day, ExportError without the typesetter.
    """
    if start is None and (weekday or at or without):
        raise UsageError("days need a first day", advice="say when the term begins with --start DATE")
    findings = findings_of(asked_findings(store, side=side, bands=bands))
    backing = read_backing(store)
    pool = pool_of(store, bands, side or "both", ())
    planned = term(findings, sessions, minutes, backing.models, motif_topics(pool) if pool else [])
    plan = Plan(
        sessions=planned,
        days=session_days(start, len(planned), weekday, set(without)) if start else (),
        minutes=minutes,
        whom=", ".join([(side or "both").capitalize(), *(bands or ["all bands"])]),
        looks=looks,
        backing=backing,
        at=at,
    )
    files, deleted = write_files(out, plan_files(plan, sheets=sheets), "plan")
    return Made(found=len(findings), files=files, deleted=deleted, sessions=planned)
