"""Pupils' pages: their games held against a store, and written to a folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from miner.lesson.files import write_files
from miner.lesson.sheets import Paper
from miner.means import Means
from miner.progress import Progress, Silent
from miner.pupils.check import PupilsCheck, check_games
from miner.pupils.pages import EXERCISES, pupils_files
from miner.pupils.roster import read_roster
from miner.store import Store


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
    exercises: int = EXERCISES,
    names: bool = False,
    paper: Paper = Paper.A4,
    pdf: bool = True,
    progress: Progress | None = None,
    means: Means | None = None,
) -> Pages:
    """Write a page for each pupil, and the group's, to the folder `out`.

    `games`: sources with the pupils' games; `players`: a file that says who they are; `since`: a day such as
    2024-09-01; `lesson`: the day of one, and `taught` the keys of what it was about; `means`: the engine that
    scans the games for motifs, None: nothing does. Nobody's name is on a page unless `names` is set.
    Raises what `check_games` and `read_roster` do, ExportError without the typesetter.
    """
    check = check_games(
        store,
        games,
        read_roster(players) if players else None,
        since=since.replace("-", "."),
        lesson=lesson,
        taught=list(taught),
        names=names,
        progress=progress or Silent(),
        means=means,
    )
    contents = pupils_files(check, exercises=exercises, paper=paper, pdf=pdf)
    files, deleted = write_files(out, contents, "pupils")
    return Pages(check=check, files=files, deleted=deleted)
