"""A store as notebooks and scripts hold it: each command of the program is a call of it."""

from __future__ import annotations

import logging
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import date, time
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from miner.errors import SourceError
from miner.means import USUAL, Means
from miner.settings import Settings, SteerSettings, Taught, with_effort
from miner.store import STAGES
from miner.store import Store as StoreOnDisk
from miner.store.state import state_of
from miner.terms import ALL_BANDS, Side

if TYPE_CHECKING:
    import chess.pgn
    import duckdb
    import pandas as pd

    from miner.course.made import MadeCourse
    from miner.curve.fit import Curves
    from miner.finding.finding import Finding
    from miner.finding.moment import Moment
    from miner.finding.motifs import MotifCount
    from miner.game.made import Games
    from miner.lesson.made import Made
    from miner.lesson.plan import Weekday
    from miner.lesson.sheets import Looks
    from miner.pipeline import OnDone, StageDone
    from miner.pupils.made import Pages
    from miner.steer.advice import Advice
    from miner.store import Fault, Manifest

_log = logging.getLogger(__name__)
Source = str | Path
_FOUND = {"games": "game", "positions": "position", "findings": "finding"}


def mine(
    sources: Source | Sequence[Source],
    store: Source,
    settings: Settings | None = None,
    means: Means = USUAL,
    *,
    effort: float = 1.0,
    progress: bool = False,
    on_done: OnDone | None = None,
) -> Store:
    """Do everything: read the games, count the replies, judge them, scan, follow and rank the mistakes.

    `sources`: PGN files, plain or compressed, folders or patterns; `store`: the folder or URL in which
    everything is kept, made if there is none. What is up to date is not done again, and a call that was
    stopped goes on where it was. `effort`: how many times the usual nodes to judge with and games to scan.
    `progress` shows bars on standard error, and `on_done` is told of each stage as soon as it is done.
    Raises SourceError, EngineNotFound, UsageError for settings of one stage alone, and whatever the stages
    raise; what they have finished is kept.
    """
    from miner import pipeline

    named = [str(one) for one in ([sources] if isinstance(sources, str | Path) else sources)]
    settings = settings or Settings()
    pipeline.check(named, settings)
    settings = with_effort(settings, effort)
    mined = Store.create(str(store))
    pipeline.run(named, mined, settings, _watched(means, progress), on_done=on_done)
    return mined


def sample() -> Path:
    """The games of an invented junior club, which come with the program; beside them is `team.csv`.

    Raises SourceError if they are not there.
    """
    for place in _SAMPLES:
        if (place / "club.pgn").is_file():
            return place / "club.pgn"
    raise SourceError("the sample games are not here", advice="install the program again")


_SAMPLES = (
    Path(__file__).parent / "sample",  # in an installed package
    Path(__file__).parent.parent / "data" / "sample",  # in a checkout
)


def _several(bands: str | Sequence[str]) -> Sequence[str]:
    return [bands] if isinstance(bands, str) else bands


def _watched(means: Means, progress: bool) -> Means:
    from miner.bars import Bars

    return replace(means, progress=Bars(shown=True)) if progress else means


class Store(StoreOnDisk):
    """What was mined, in a folder or bucket: `Store.open("club")`, or what `mine` gives.

    Its tables are values (`findings`, `motifs`, `moments`), frames of pandas (`frame`) and views of DuckDB
    (`sql`); what a coach gets of it is written by `report`, `lesson`, `plan`, `game`, `steer`, `pupils` and
    `export`.
    """

    def __repr__(self) -> str:
        from miner.finding.words import counted

        manifests = filter(None, map(self.manifest, STAGES))
        rows = {name: count for manifest in manifests for name, count in manifest.rows.items()}
        told = [counted(rows[table], what) for table, what in _FOUND.items() if table in rows]
        return f"<Store {str(self.root)!r}: {', '.join(told) or 'nothing was read yet'}>"

    def _repr_html_(self) -> str:
        left = "style='text-align:left'"
        lines = "".join(
            f"<tr><th {left}>{stage}</th><td {left}>{_state_words(state)}</td></tr>"
            for stage, state in self.status()["stages"].items()
        )
        return f"<table><caption>{escape(str(self.root))}</caption>{lines}</table>"

    def status(self) -> dict[str, Any]:
        """What the store holds and what of it is out of date; see `miner.store.state.state_of`."""
        return state_of(self)

    # What was found.

    def findings(
        self, *, side: Taught | None = None, bands: str | Sequence[str] = (), missed: bool = False
    ) -> list[Finding]:
        """The ranked list; for another side or other bands than it was ranked for, where these are given.

        `missed`: missed chances in its place. Logs a warning if an earlier stage has changed since. A row for
        each mistake and band gives `findings_by_band`.
        Raises StoreError if nothing was ranked yet, UsageError for a band that there is not.
        """
        from miner.finding.finding import findings_of
        from miner.rank.asked import asked_findings

        self._warn_if_out_of_date()
        return findings_of(
            asked_findings(self, side=side, bands=_several(bands), missed=missed), missed=missed
        )

    def findings_by_band(self) -> list[Finding]:
        """Each mistake once for each band that makes it. Raises StoreError if nothing was ranked yet."""
        from miner.finding.finding import findings_of

        self._warn_if_out_of_date()
        return findings_of(self.read_table("by_band"))

    def curves(self) -> Curves:
        """What an evaluation scores in each band. Raises StoreError if nothing was judged yet."""
        from miner.curve.fit import curves_in

        return curves_in(self, self.bands)

    def curve_check(self) -> pd.DataFrame:
        """What the curves predict against what the games brought, in bins; see `miner.curve.diagnose`."""
        from miner.curve.diagnose import diagnose
        from miner.curve.rows import rows_of

        return diagnose(self.curves(), rows_of(self, self.bands))

    def find_rates(self) -> pd.DataFrame:
        """Who finds the punishment of each losing reply, by band; see `aftermath.find_rates`."""
        from miner.finding.aftermath import find_rates

        return find_rates(self)

    def model_game(self, finding: Finding, place: int = 1) -> chess.pgn.Game:
        """A game in which a losing reply was punished and the game won well, with comments; without names.

        `place` from 1: the best first. Raises UsageError if there is no such game.
        """
        from miner.finding.aftermath import model_game_pgn

        return model_game_pgn(self, finding.reply, place)

    def motifs(self, band: str = ALL_BANDS) -> list[MotifCount]:
        """By what the mistakes of a band are punished, and how often, what costs most first.

        Raises StoreError if nothing was scanned yet, UsageError for a band that there is not.
        """
        from miner.finding.motifs import Motifs

        if band != ALL_BANDS:
            self.bands.require([band])
        return Motifs.of(self).of_band(band)

    def moments(self) -> list[Moment]:
        """Every mistake of single games that the scan found. Raises StoreError if nothing was scanned yet."""
        from miner.export.scanned import example_moments

        return example_moments(self)

    def frame(self, table: str) -> pd.DataFrame:
        """A table as a frame of pandas, its moves also in UCI and SAN, bands in order; see `frame_of` there.

        Raises UsageError for a name that is no table's, StoreError for one that was not made yet.
        """
        from miner.store.frames import frame_of

        return frame_of(self, table)

    def sql(self, query: str, parameters: Any = None) -> pd.DataFrame:
        """What DuckDB answers, as a frame of pandas; each table that the store holds is a view of its name.

        Beside DuckDB's functions there are `uci(move)` and `san(fen, move)` for moves in 16 bits, and
        `hex_key(key)` for keys as lists have them, and `band_of(rating)`; bands are in the order of ratings.
        `parameters` take the places of `?` or `$name`.
        Raises duckdb.Error for a query that it cannot answer.
        """
        with self.database() as connection:
            return connection.execute(query, parameters).df()

    def database(self) -> duckdb.DuckDBPyConnection:
        """A connection of DuckDB with the same views and functions, for many queries or large answers."""
        from miner.store.frames import database_of

        return database_of(self)

    # What a coach gets of it.

    def export(self, *targets: Source, missed: bool = False) -> list[Path]:
        """Write lists, games and positions, each in the format that the file's name ends in; gives the files.

        Files called bands, motifs, moments and unplayed hold these, others the findings; `missed`: missed
        chances.
        Raises UsageError for a suffix that names no format, ExportError for a file that cannot be written.
        """
        from miner.export.choice import export_lists

        self._warn_if_out_of_date()
        return [written.file for written in export_lists(self, list(map(Path, targets)), missed=missed)]

    def report(
        self, out: Source = "report.html", *, comments: int = 0, means: Means = USUAL, **how: Any
    ) -> Path:
        """Write the findings as one page of HTML, and give its path. Raises ExportError if it cannot be.

        `comments`: as many of its model games have comments and stops, for which an engine searches them;
        `how`: the other arguments of `miner.game.commented.commented_report`.
        """
        from miner.game.commented import commented_report

        self._warn_if_out_of_date()
        commented_report(self, Path(out), comments, means, **how)
        return Path(out)

    def lesson(
        self,
        out: Source,
        *,
        side: Taught | None = None,
        bands: str | Sequence[str] = (),
        top: int = 12,
        only: Sequence[int] = (),
        motifs: Sequence[str] = (),
        without: Sequence[Source] = (),
        start: date | None = None,
        group: str = "",
        taught: Source | None = None,
        without_taught: bool = False,
        revise_taught: bool = False,
        looks: Looks | None = None,
    ) -> Made:
        """Write exercises to the folder `out`: sheets, answers, a page to practise on, PGN, EPD and cards.

        See `miner.lesson.made.make_lesson`; `looks`: language, paper and the like.
        """
        from miner.lesson.made import make_lesson
        from miner.lesson.sheets import Looks

        self._warn_if_out_of_date()
        return make_lesson(
            self,
            Path(out),
            looks or Looks(),
            side=side,
            bands=_several(bands),
            top=top,
            only=only,
            motifs=motifs,
            without=list(map(str, without)),
            start=start,
            group=group,
            taught=taught,
            without_taught=without_taught,
            revise_taught=revise_taught,
        )

    def plan(
        self,
        out: Source,
        *,
        sessions: int = 8,
        minutes: int = 60,
        side: Taught | None = None,
        bands: str | Sequence[str] = (),
        start: date | None = None,
        weekday: Weekday | None = None,
        at: time | None = None,
        without: Collection[date] = (),
        sheets: bool = False,
        group: str = "",
        taught: Source | None = None,
        without_taught: bool = False,
        looks: Looks | None = None,
    ) -> Made:
        """Write a term's sessions to the folder `out`; see `miner.lesson.made.make_plan`."""
        from miner.lesson.made import make_plan
        from miner.lesson.sheets import Looks

        self._warn_if_out_of_date()
        return make_plan(
            self,
            Path(out),
            looks or Looks(),
            sessions=sessions,
            minutes=minutes,
            side=side,
            bands=_several(bands),
            start=start,
            weekday=weekday,
            at=at,
            without=without,
            sheets=sheets,
            group=group,
            taught=taught,
            without_taught=without_taught,
        )

    def game(
        self,
        number: int | None = None,
        *targets: Source,
        looks: Looks | None = None,
        means: Means = USUAL,
        **how: Any,
    ) -> Games:
        """Model games with comments and stops to ask pupils at, also written to `.pgn` and `.pdf` files.

        `number`: in the store, as a finding's `model_games` have it; None: some that are worth showing.
        `how`: the other arguments of `miner.game.made.make_games`.
        """
        from miner.game.made import make_games
        from miner.lesson.sheets import Looks

        self._warn_if_out_of_date()
        return make_games(self, number, list(map(Path, targets)), looks or Looks(), means, **how)

    def steer(
        self,
        side: Side | str,
        band: str,
        settings: SteerSettings | None = None,
        means: Means = USUAL,
        *,
        start: str = "",
        repertoire: Source | None = None,
    ) -> Advice:
        """Which of our moves score best against players of a band; see `miner.steer.advise.advise`.

        `repertoire`: a PGN file with our moves, which are taken where it has any.
        """
        from miner.graph.repertoire import read_repertoire
        from miner.steer import advise

        ours = read_repertoire(Path(repertoire), Side(side)) if repertoire else None
        return advise(self, Side(side), band, settings, means, start=start, repertoire=ours)

    def course(
        self,
        side: Side | str,
        band: str,
        out: Source,
        settings: SteerSettings | None = None,
        means: Means = USUAL,
        *,
        start: str = "",
        repertoire: Source | None = None,
        claims: Source | None = None,
        looks: Looks | None = None,
    ) -> MadeCourse:
        """Write the course of an opening to the folder `out`; see `miner.course.made.make_course`."""
        from miner.course.made import make_course
        from miner.lesson.sheets import Looks

        self._warn_if_out_of_date()
        return make_course(
            self,
            Side(side),
            band,
            Path(out),
            looks or Looks(),
            settings,
            means,
            start=start,
            repertoire=Path(repertoire) if repertoire else None,
            claims=Path(claims) if claims else None,
        )

    def pupils(
        self, games: Source | Sequence[Source], out: Source, *, players: Source | None = None, **how: Any
    ) -> Pages:
        """Hold pupils' own games against the store and write their pages to the folder `out`.

        `how`: the other arguments of `miner.pupils.made.make_pages`.
        """
        from miner.pupils.made import make_pages

        self._warn_if_out_of_date()
        named = [str(one) for one in ([games] if isinstance(games, str | Path) else games)]
        return make_pages(self, named, Path(out), players=Path(players) if players else None, **how)

    # The store in order.

    def add(self, sources: Source | Sequence[Source], means: Means = USUAL) -> Manifest:
        """Add games: only what is new is read; `remake` then makes the later stages new."""
        from miner import upkeep

        named = [str(one) for one in ([sources] if isinstance(sources, str | Path) else sources)]
        return upkeep.add(named, self, means)

    def remove(self, sources: Source | Sequence[Source], means: Means = USUAL) -> Manifest:
        """Take the games of sources out, as if they had never been read."""
        from miner import upkeep

        named = [str(one) for one in ([sources] if isinstance(sources, str | Path) else sources)]
        return upkeep.remove(named, self, means)

    def forget(self, player: str) -> int:
        """Take all games of a player out for good, with all that was found from them; gives their number."""
        from miner import upkeep

        _, games = upkeep.forget(player, self)
        return games

    def remake(
        self, stages: Collection[str] = STAGES, means: Means = USUAL, *, on_done: OnDone | None = None
    ) -> list[StageDone]:
        """Run the later stages again, each under the settings of its last run; see `miner.upkeep.remake`."""
        from miner import upkeep

        return upkeep.remake(self, stages, means, on_done=on_done)

    def check(self) -> list[Fault]:
        """All that is not as the stages left it; reads every file."""
        from miner import upkeep

        return upkeep.check(self)

    def repair(self, means: Means = USUAL) -> list[str]:
        """Put right what `check` finds, and give a line on each thing that was done."""
        from miner import upkeep

        return upkeep.repair(self, means)

    @staticmethod
    def unlock(root: str) -> str:
        """Let others write to a remote store whose writer was killed on another machine; gives who that was.

        Make sure that it is dead: two runs at once damage the store.
        """
        from miner.store.claim import release

        return release(root)

    def _warn_if_out_of_date(self) -> None:
        if stale := self.out_of_date():
            _log.warning(
                "%s: what was found is out of date, since `%s` has not been run on what there is now; "
                "`remake` makes it new",
                self.root,
                stale,
            )


def _state_words(state: dict[str, Any] | None) -> str:
    """What a stage has made, by its part of `state_of`."""
    if state is None:
        return "not done yet"
    rows = ", ".join(f"{count:,} {name.replace('_', ' ')}" for name, count in state["rows"].items())
    return f"{rows}{' (out of date)' if state['is_out_of_date'] else ''}"
