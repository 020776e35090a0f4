"""Pupils' pages: their games held against a store, and written to a folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from miner.errors import UsageError
from miner.lesson.files import write_files
from miner.lesson.sheets import Paper
from miner.lesson.taught import TaughtTable
from miner.means import Means
from miner.progress import Progress, Silent
from miner.pupils.check import PupilsCheck, check_games
from miner.pupils.pages import EXERCISES, pupils_files
from miner.pupils.roster import Member, read_roster
from miner.store import Store
from miner.store.places import located


@dataclass(frozen=True, kw_only=True, slots=True)
class Pages:
    """What was found of pupils, and the files that tell of it."""

    check: PupilsCheck
    files: Sequence[Path]
    deleted: Sequence[Path]  # files of an earlier call

    def __repr__(self) -> str:
        return f"<pages in {len(self.files)} files, of {self.check.ledger.total():,} games>"


def make_pages(
    store: Store,
    games: Sequence[str],
    out: Path,
    *,
    players: Path | None = None,
    since: str = "",
    lesson: date | None = None,
    taught: Sequence[int] = (),
    tables: Sequence[str | Path] = (),
    group: str = "",
    exercises: int = EXERCISES,
    names: bool = False,
    paper: Paper = Paper.A4,
    pdf: bool = True,
    progress: Progress | None = None,
    means: Means | None = None,
) -> Pages:
    """Write a page for each pupil, and the group's, to the folder `out`.

    `games`: sources with the pupils' games; `players`: a file that says who they are; `since`: a day such as
    2024-09-01; `lesson`: the day of one, and `taught` the keys of what it was about, or in its place `tables`
    in which lessons note what they teach, each topic with a day of its own; `group`: only that group's
    players; `means`: the engine that scans the games for motifs, None: nothing does. Nobody's name is on a
    page unless `names` is set.
    Raises UsageError for a table that is not there, a group of nobody, and a day beside the days of a table;
    what `check_games` and `read_roster` do; ExportError without the typesetter.
    """
    lessons = _lessons_of(tables)
    if lessons.lines and lesson:
        raise UsageError(
            "each topic of the table has a day of its own", advice="leave --lesson-date or the table out"
        )
    check = check_games(
        store,
        games,
        _members(players, group),
        since=since.replace("-", "."),
        lesson=lesson,
        taught=list(taught),
        lessons=lessons,
        names=names,
        progress=progress or Silent(),
        means=means,
    )
    contents = pupils_files(check, exercises=exercises, paper=paper, pdf=pdf)
    files, deleted = write_files(out, contents, "pupils")
    return Pages(check=check, files=files, deleted=deleted)


def _members(players: Path | None, group: str) -> list[Member] | None:
    """The players of a list, of one group if one is named; None: everybody.

    Raises UsageError if nobody is of that group.
    """
    members = read_roster(players) if players else None
    if not group:
        return members
    own = [member for member in members or () if member.group == group]
    if not own:
        listed = sorted({member.group for member in members or () if member.group})
        advice = f"its groups are {', '.join(listed)}" if listed else "name a CSV with the column group"
        raise UsageError(f"--players has nobody of the group {group}", advice=advice)
    return own


def _lessons_of(tables: Sequence[str | Path]) -> TaughtTable:
    """The lines of all the tables; UsageError for one that is not there."""
    read = []
    for file in (located(str(table)) for table in tables):
        if not file.exists():
            raise UsageError(
                f"--taught {file} is neither a key nor a file",
                advice="take keys from the column `key` of the CSV, or name the taught.csv of `miner lesson`",
            )
        read.append(TaughtTable.read(file))
    return TaughtTable(tuple(line for table in read for line in table.lines))
