"""A lesson and a term's plan: made of a store's findings and moments, and written to a folder."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, time
from pathlib import Path

from miner.errors import UsageError
from miner.finding.few import few_words
from miner.finding.finding import Finding, findings_of
from miner.finding.mistake import Mistake
from miner.finding.motifs import MotifCount, group_of, read_motifs
from miner.finding.words import counted
from miner.lesson.backing import read_backing
from miner.lesson.exercises import Exercise, choose, distinct, of_findings, task_of
from miner.lesson.files import lesson_files, write_files
from miner.lesson.moments import TAUGHT_AT_ONCE, Pool, exercises_about, mixed, motif_lessons
from miner.lesson.own_games import positions_in
from miner.lesson.plan import Plan, Weekday, plan_files, session_days
from miner.lesson.sheets import Looks
from miner.lesson.taught import NOTHING_TAUGHT, Line, TaughtTable, position_words, taught_file
from miner.lesson.term import Session, Topic, motif_topics, term
from miner.rank.asked import asked_findings
from miner.settings import Taught
from miner.store import Store
from miner.store.places import Location, located
from miner.terms import ALL_BANDS


@dataclass(frozen=True, slots=True)
class Noted:
    """Where it was noted what is taught, and how many topics these are."""

    file: Location
    topics: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Made:
    """What was written for a lesson or a term."""

    found: int  # findings that there were to choose from
    files: Sequence[Path]
    deleted: Sequence[Path]  # files of an earlier call
    exercises: Sequence[Exercise[Mistake]] = ()  # of a lesson, in the order of the sheet
    sessions: Sequence[Session] = ()  # of a term
    noted: Noted | None = None  # None: nothing was

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
    group: str = "",
    taught: str | Path | None = None,
    without_taught: bool = False,
    revise_taught: bool = False,
) -> Made:
    """Write exercises to the folder `out`: sheets, answers, a page to practise on, PGN, EPD and cards.

    `only`: keys of positions; `motifs`: names as `miner motifs` lists them; `without`: the pupils' own
    games, of whose positions none is taken; `start`: day of the lesson, and first one of the cards.
    `without_taught` leaves out what the `group` was taught on earlier days by the table `taught` (None: the
    store's own), and notes there what this lesson teaches; `revise_taught` takes nothing else.
    Raises UsageError if nothing is left to print, for a motif that is not listed, a key of no finding, and
    for what does not go together; ExportError without the typesetter.
    """
    if motifs and only:
        raise UsageError("a motif has no position", advice="give --motif or --only")
    if without_taught and revise_taught:
        raise UsageError(
            "what was taught cannot be left out and revised at once",
            advice="give --without-taught or --revise-taught",
        )
    if start is None and (without_taught or revise_taught):
        raise UsageError(
            "what was taught goes by days", advice="name the day of the lesson with --start DATE"
        )
    kept, known = _table(store, taught, read=without_taught or revise_taught)
    earlier = known.of_group(group).before(start) if start else NOTHING_TAUGHT
    ranked = findings_of(asked_findings(store, side=side, bands=bands))
    _require_findings_at(ranked, only)
    findings = [one for one in ranked if earlier.holds(one) == revise_taught]
    pool = pool_of(store, bands, side or "both", without)
    topics = topics_of(pool, motifs, bands, earlier.motifs, revise=revise_taught) if not only else []
    about = [] if motifs else choose(findings, side=side or "both", keys=list(only), top=top)
    exercises = mixed(about, exercises_about(pool, topics, top) if pool else [], top)
    if not exercises:
        raise _nothing_left(store, ranked, bands, revise=revise_taught, taught=bool(earlier.lines))
    lessons = motif_lessons(pool, topics, exercises) if pool else []
    contents = lesson_files(exercises, looks, read_backing(store), start, lessons)
    files, deleted = write_files(out, contents, "lesson")
    noted = None
    if without_taught and start:
        what = [one.count.motif for one in lessons]
        what += [position_words(one.finding) for one in of_findings(exercises)]
        noted = _note(known, kept, group, [Line(start, group, one) for one in what], start, start)
    return Made(found=len(ranked), files=files, deleted=deleted, exercises=exercises, noted=noted)


def _table(store: Store, named: str | Path | None, *, read: bool) -> tuple[Location, TaughtTable]:
    """Where it is noted what was taught, and if it is to be `read`, the table."""
    kept = taught_file(store, located(str(named)) if named else None)
    return kept, TaughtTable.read(kept) if read else NOTHING_TAUGHT


def _note(
    known: TaughtTable, file: Location, group: str, lines: Sequence[Line], since: date, until: date | None
) -> Noted:
    known.with_lessons(group, lines, since, until).write(file)
    return Noted(file, len(lines))


def _require_findings_at(findings: Sequence[Finding], keys: Sequence[int]) -> None:
    """Raise UsageError for a key of no finding."""
    there = {finding.key for finding in findings}
    for key in keys:
        if key not in there:
            raise UsageError(
                f"no finding of this list has the key {key:016x}",
                advice="take it from the column `key` of the CSV (miner export), for the same side and bands",
            )


def _nothing_left(
    store: Store, ranked: Sequence[Finding], bands: Sequence[str], *, revise: bool, taught: bool
) -> UsageError:
    if revise:
        return UsageError(
            "nothing in this list was taught on earlier days",
            advice="lessons made with --without-taught are noted; see --taught and --group",
        )
    if taught and ranked:
        return UsageError(
            "all that is in this list was taught",
            advice="revise it with --revise-taught, or ask for more bands",
        )
    few = few_words(store, len(ranked), bands)
    return UsageError("no finding is left to print", advice=few or "ask for both sides")


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


def topics_of(
    pool: Pool | None,
    names: Sequence[str],
    bands: Sequence[str],
    taught: Collection[str] = (),
    *,
    revise: bool = False,
) -> list[MotifCount]:
    """The motifs that are asked for, or those that cost the band most: such as were not `taught` yet, or, to
    `revise`, such as were.

    Raises UsageError for a motif that is not listed.
    """
    if pool is None:
        if names:
            raise UsageError("no game was scanned for motifs", advice="`miner scan` does that")
        return []
    if not names:
        return [one for one in pool.topics if (one.motif in taught) == revise][:TAUGHT_AT_ONCE]
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
    group: str = "",
    taught: str | Path | None = None,
    without_taught: bool = False,
) -> Made:
    """Write a term's sessions to the folder `out`, as text, PDF and, where a `start` is given, calendar.

    `at`: when they begin; `without`: days without a session; `sheets`: also each session's exercises. There
    are fewer sessions than asked for where topics lack. `without_taught`: what the `group` was taught on
    earlier days by the table `taught` (None: the store's own) comes back once, and is not taught again; the
    new sessions are noted there.
    Raises UsageError for days without a first day, ExportError without the typesetter.
    """
    if start is None and (weekday or at or without or without_taught):
        raise UsageError("days need a first day", advice="say when the term begins with --start DATE")
    kept, known = _table(store, taught, read=without_taught)
    earlier = known.of_group(group).before(start) if start else NOTHING_TAUGHT
    findings = findings_of(asked_findings(store, side=side, bands=bands))
    backing = read_backing(store)
    pool = pool_of(store, bands, side or "both", ())
    topics = motif_topics(pool) if pool else []
    again: list[Topic] = [one for one in distinct(findings) if earlier.holds(one) and task_of(one)]
    again += [topic for topic in topics if topic.name in earlier.motifs]
    planned = term(
        [one for one in findings if not earlier.holds(one)],
        sessions,
        minutes,
        backing,
        [topic for topic in topics if topic.name not in earlier.motifs],
        again,
    )
    plan = Plan(
        sessions=planned,
        days=session_days(start, len(planned), weekday, set(without)) if start else (),
        minutes=minutes,
        whom=", ".join(filter(None, [group, _whom(side, bands)])),
        looks=looks,
        backing=backing,
        at=at,
    )
    files, deleted = write_files(out, plan_files(plan, sheets=sheets), "plan")
    noted = _note(known, kept, group, _lines(plan, group), start, None) if without_taught and start else None
    return Made(found=len(findings), files=files, deleted=deleted, sessions=planned, noted=noted)


def _whom(side: Taught | None, bands: Sequence[str]) -> str:
    return ", ".join(
        ["Both sides" if side in (None, "both") else side.capitalize(), *(bands or ["all bands"])]
    )


def _lines(plan: Plan, group: str) -> list[Line]:
    """What the sessions of a plan teach, each on its day."""
    return [
        Line(on, group, what)
        for on, session in zip(plan.days, plan.sessions, strict=True)
        for what in (*(topic.name for topic in session.motifs), *map(position_words, session.new))
    ]
