"""A course from a store to its files: the call behind the command."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from miner.course.booklet import course_files
from miner.course.claims import answer_of, read_claims
from miner.course.contents import Course, course_of
from miner.errors import SourceError, UsageError
from miner.export.choice import spare_sources
from miner.finding.finding import findings_of
from miner.graph.repertoire import read_repertoire
from miner.lesson.files import write_files
from miner.lesson.sheets import Looks
from miner.means import USUAL, Means
from miner.rank.asked import asked_findings
from miner.settings import SteerSettings
from miner.steer import advise
from miner.store import Store
from miner.terms import Side


@dataclass(frozen=True, slots=True)
class MadeCourse:
    """What was made, the files that were written, and those of an earlier call that went."""

    course: Course
    written: list[Path]
    gone: list[Path]


def make_course(
    store: Store,
    side: Side,
    band: str,
    out: Path,
    looks: Looks,
    settings: SteerSettings | None = None,
    means: Means = USUAL,
    *,
    start: str = "",
    repertoire: Path | None = None,
    claims: Path | None = None,
) -> MadeCourse:
    """Write the course of the opening `start` for `side` against players of `band` to the folder `out`.

    `band`, `start` and the engine: as for `miner.steer.advise`. `repertoire`: PGN with our moves. `claims`: a
    text file, one claim a line.
    Raises what `advise` does, SourceError for a file that cannot be read, UsageError for a claim whose moves
    cannot be played, an opening without a chapter or files that would overwrite the store's games,
    ExportError.
    """
    spare_sources(store, [out])
    asked = read_claims(_text_of(claims)) if claims else []
    ours = read_repertoire(repertoire, side) if repertoire else None
    findings = findings_of(asked_findings(store, side=side.value, bands=store.bands.within(band)))
    advice = advise(store, side, band, settings, means, start=start, repertoire=ours)
    answers = [answer_of(claim, advice) for claim in asked]
    made = course_of(store, advice, findings, answers, has_repertoire=ours is not None)
    if not made.chapters:
        raise UsageError(
            "after our moves there no reply comes often enough for a chapter",
            advice="name an opening or bands with more games, or our own moves with a repertoire",
        )
    return MadeCourse(made, *write_files(out, course_files(made, looks), "course"))


def _text_of(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise SourceError(
            f"the claims cannot be read: {error}", where=file, advice="give a text file in UTF-8"
        ) from error
