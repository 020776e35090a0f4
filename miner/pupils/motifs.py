"""By what pupils' own mistakes are punished, from all of their games, held against their bands."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import chain

import numpy as np
import pandas as pd

from miner.finding.moment import Moment, moment_of
from miner.finding.motifs import NO_STRIKE, UNNAMED, MotifCount, Motifs, clearest, rows_of
from miner.lesson.exercises import Exercise, from_easy_to_hard
from miner.lesson.moments import Pool
from miner.means import Means
from miner.pupils.before_after import progress_of
from miner.pupils.games import PupilGames
from miner.pupils.roster import period_of
from miner.scan.look import engines_of, look_through
from miner.settings import settings_of
from miner.store import Store
from miner.terms import ALL_BANDS, BandScheme

MOST_EXPENSIVE = 3
"""Motifs that a pupil is told to work on."""
ENOUGH_USUAL = 2.0
"""Games in which players of a pupil's bands would have fallen for a motif, from which it is told that he
never did.
"""
FELL, FOUND, MISSED = "fell", "found", "missed"
_OF_GAME = ["game", "pupil", "side", "source", "number", "date", "period", "band"]


@dataclass(frozen=True, kw_only=True, slots=True)
class MotifRecord:
    """How a pupil fared with one pattern of motif, and how players of his bands fare."""

    pattern: str
    games: int
    fell: int  # of the games, those in which the pupil fell for it
    usual_fell: float | None  # how many players of the bands would have; None: not told
    chances: int
    found: int  # of the chances to punish it
    usual_found: float | None  # likewise
    costs: float  # points that it cost, by the engine: mistakes, and chances that were missed


@dataclass(frozen=True, kw_only=True, slots=True)
class GroupRecord:
    """How all pupils together fared with one pattern; a game of two of them counts for either."""

    record: MotifRecord
    fell: Mapping[str, int]  # games in which each pupil fell for it, most first; who never did is not there
    example: Moment  # the clearest of their own


@dataclass(frozen=True, kw_only=True)
class MotifCheck:
    """The mistakes in all games of the pupils, and what is known of such mistakes.

    `games`: one row per pupil and game of his: game, pupil, side, source, number, date, period, band. `rows`:
    those columns and those of `moments` but for the motif, one row per pupil and mistake that he made (`role`
    fell) or could punish (found or missed).
    """

    known: Motifs
    recurring: frozenset[int]  # keys of positions that come up again and again
    games: pd.DataFrame
    rows: pd.DataFrame
    confidence: float
    taught_on: Mapping[tuple[str, str], date] | None = None  # by pupil and pattern; None: by `period`

    def records(self, pupil: str) -> list[MotifRecord]:
        """The pupil's motifs, the most expensive first."""
        games = self.games[self.games["pupil"] == pupil]
        own = self.rows[(self.rows["pupil"] == pupil) & (self.rows["pattern"] != UNNAMED)]
        found = [self._record(str(pattern), rows, games) for pattern, rows in own.groupby("pattern")]
        return sorted(found, key=lambda record: (-record.costs, record.pattern))

    def _record(self, pattern: str, rows: pd.DataFrame, games: pd.DataFrame) -> MotifRecord:
        fell, asked = rows[rows["role"] == FELL], rows[rows["role"] != FELL]
        counts = self.known.named(pattern)
        falls = [_rate_of_falls(counts, band) for band in games["band"]]
        finds = [_find_rate(counts, band) for band in asked["band"]]
        missed = asked[asked["role"] == MISSED]
        return MotifRecord(
            pattern=pattern,
            games=len(games),
            fell=fell["game"].nunique(),
            usual_fell=_sum(falls),
            chances=len(asked),
            found=int((asked["role"] == FOUND).sum()),
            usual_found=_sum(finds),
            costs=float(fell["loss"].sum() + missed["loss"].sum()),
        )

    def steady(self, pupil: str) -> list[MotifRecord]:
        """The motifs that the pupil never fell for though as many games of his bands hold several."""
        games = self.games[self.games["pupil"] == pupil]
        own = self.rows[(self.rows["pupil"] == pupil) & (self.rows["role"] == FELL)]
        patterns = [count.pattern for count in self.known.topics()]
        never = [one for one in dict.fromkeys(patterns) if one not in set(own["pattern"])]
        found = [self._record(one, own[:0], games) for one in never]
        told = [one for one in found if (one.usual_fell or 0.0) >= ENOUGH_USUAL]
        return sorted(told, key=lambda record: (-(record.usual_fell or 0.0), record.pattern))

    def of_group(self) -> list[GroupRecord]:
        """The motifs of all pupils' mistakes: what most games of theirs were fallen for in comes first."""
        named = self.rows[self.rows["pattern"] != UNNAMED]
        found = []
        for pattern, rows in named.groupby("pattern"):
            fell = rows[rows["role"] == FELL]
            if fell.empty:
                continue
            by_pupil = fell.groupby("pupil")["game"].nunique().sort_index()
            [example] = rows_of(clearest(fell, 1))
            record = self._record(str(pattern), rows, self.games)
            record = replace(record, fell=int(by_pupil.sum()))
            ordered = by_pupil.sort_values(ascending=False, kind="stable")
            whose = {str(pupil): int(games) for pupil, games in ordered.items()}
            found.append(GroupRecord(record=record, fell=whose, example=moment_of(example)))
        return sorted(found, key=lambda one: (-one.record.fell, -one.record.costs, one.record.pattern))

    def newest(self, pupil: str, pattern: str, most: int) -> list[pd.Series]:
        """The pupil's newest games in which a motif cost something, the newest first."""
        own = self.rows[(self.rows["pupil"] == pupil) & (self.rows["pattern"] == pattern)]
        wrong = own[own["role"] != FOUND].sort_values(["date", "source", "number"], ascending=False)
        return [row for _, row in wrong.drop_duplicates("game").head(most).iterrows()]

    def expensive(self, pupil: str) -> list[MotifRecord]:
        """The motifs that cost the pupil most."""
        return [record for record in self.records(pupil) if record.costs > 0.0][:MOST_EXPENSIVE]

    def compared(self, pupil: str) -> list[str]:
        """The patterns whose progress is told: what the pupil's group was taught, or what cost him most."""
        if self.taught_on is None:
            return [record.pattern for record in self.expensive(pupil)]
        return sorted(pattern for whose, pattern in self.taught_on if whose == pupil)

    def progress(self, pupil: str, pattern: str) -> pd.DataFrame:
        """How often the pupil fell for a motif before and after the lesson, and how often he found it.

        Columns as `progress_of` gives them.
        """
        games = self._with_periods(self.games[self.games["pupil"] == pupil], pupil, pattern)
        rows = self.rows[(self.rows["pupil"] == pupil) & (self.rows["pattern"] == pattern)]
        rows = self._with_periods(rows, pupil, pattern)
        fell = games["game"].isin(rows.loc[rows["role"] == FELL, "game"])
        falls = games.assign(key=-1, outcome=np.where(fell, "fell in", "avoided"))
        asked = rows[rows["role"] != FELL]
        finds = asked.assign(key=asked["ply"], outcome=np.where(asked["role"] == FOUND, "punished", "missed"))
        columns = ["pupil", "source", "number", "period", "key", "outcome"]
        table = progress_of(pd.concat([falls[columns], finds[columns]]), confidence=self.confidence)
        own: pd.DataFrame = table[table["pupil"] == pupil]
        return own

    def _with_periods(self, rows: pd.DataFrame, pupil: str, pattern: str) -> pd.DataFrame:
        if self.taught_on is None:
            return rows
        day = self.taught_on.get((pupil, pattern))
        return rows.assign(period=[period_of(one, day) if day else "" for one in rows["date"]])

    def exercises(self, pupil: str, most: int) -> list[Exercise[Moment]]:
        """Exercises about the pupil's most expensive motifs, half of them from his own games.

        From the easiest to the hardest; the others are from games in which he did not play.
        """
        own = self.rows[(self.rows["pupil"] == pupil) & self.rows["role"].isin([FELL, MISSED])]
        seen = frozenset(self.rows.loc[self.rows["pupil"] == pupil, "key"].tolist())
        pool = Pool(motifs=self.known, band=self._band(pupil), known=self.recurring | seen)
        patterns = [one.pattern for one in self.expensive(pupil) if one.pattern not in NO_STRIKE]
        from_own = list(_by_turns([self._own(own, pattern, pool) for pattern in patterns]))
        topics = [count for pattern in patterns if (count := self.known.named(pattern).get(ALL_BANDS))]
        others = pool.exercises(topics, most)
        first = from_own[: max(most // 2, most - len(others))]
        return from_easy_to_hard([*first, *others[: most - len(first)]])

    def _own(self, own: pd.DataFrame, pattern: str, pool: Pool) -> list[Exercise[Moment]]:
        rows = own[own["pattern"] == pattern].sort_values(["date", "source", "number"], ascending=False)
        moments = [moment_of(row) for row in rows_of(rows.drop_duplicates("game"))]
        return [pool.exercise(one) for one in moments if pool.can_be_asked(one)]

    def _band(self, pupil: str) -> str:
        """The band of most of the pupil's games."""
        bands = self.games.loc[self.games["pupil"] == pupil, "band"].value_counts()
        return str(bands.index[0])

    def game_of(self, pupil: str, moment: Moment) -> pd.Series | None:
        """The pupil's game in which a moment was; None: it was in none of his."""
        rows = self.rows[(self.rows["pupil"] == pupil) & (self.rows["fen"] == moment.fen)]
        rows = rows[rows["losing_reply_uci"] == moment.losing_reply_uci]
        return None if rows.empty else rows.iloc[0]


def _by_turns(lists: Sequence[Sequence[Exercise[Moment]]]) -> Iterator[Exercise[Moment]]:
    longest = max(map(len, lists), default=0)
    return chain.from_iterable((one[place] for one in lists if place < len(one)) for place in range(longest))


def _rate_of_falls(counts: dict[str, MotifCount], band: str) -> float | None:
    """Share of the band's games in which they fall for it; of all bands where too few of it did."""
    told = [counts[name] for name in (band, ALL_BANDS) if name in counts and counts[name].is_told]
    return told[0].per_100 / 100.0 if told else None


def _find_rate(counts: dict[str, MotifCount], band: str) -> float | None:
    rates = [counts[name].find_rate for name in (band, ALL_BANDS) if name in counts]
    return next((rate for rate in rates if rate is not None), None)


def _sum(rates: Sequence[float | None]) -> float | None:
    known = [rate for rate in rates if rate is not None]
    return sum(known) if rates and len(known) == len(rates) else None


def check_motifs(
    store: Store, read: PupilGames, games: pd.DataFrame, plies: int, means: Means
) -> MotifCheck | None:
    """Scan the pupils' games as the store's own were scanned; None: those were not.

    `games` are the pupils' with columns pupil and period; `plies` that were read of each.
    Raises EngineNotFound or EngineFailed if the engine is of no use, ClusterFailed.
    """
    if store.manifest("scan") is None or games.empty:
        return None
    settings = settings_of({"scan": store.require("scan").settings}).scan
    engines = engines_of(means, settings)
    looked = look_through(read.moves, read.players, store.bands, settings, engines, plies=plies)
    told = looked.moments.assign(motif="", chance=None)
    own = _with_bands(games, store.bands)
    return MotifCheck(
        known=Motifs.of(store),
        recurring=frozenset(store.read_table("positions", ["key"])["key"].to_pylist()),
        games=own,
        rows=of_pupils(told, own),
        confidence=store.require("tally").settings.get("confidence", 0.9),
    )


def _with_bands(games: pd.DataFrame, bands: BandScheme) -> pd.DataFrame:
    banded: pd.DataFrame = games.assign(band=[bands.name_of(int(rating)) for rating in games["rating"]])[
        _OF_GAME
    ].reset_index(drop=True)
    return banded


def of_pupils(moments: pd.DataFrame, games: pd.DataFrame) -> pd.DataFrame:
    """A row for each pupil who made a mistake or could punish it."""
    if moments.empty:
        return pd.DataFrame(
            columns=[*_OF_GAME, "role", "pattern", "key", "fen", "ply", "loss", "losing_reply_uci"]
        )
    errs = np.where(moments["ply"] % 2 == 0, "white", "black")
    punishes = np.where(moments["ply"] % 2 == 0, "black", "white")
    asked = moments["found"].notna()
    parts = [
        moments.assign(side=errs, role=FELL),
        moments[asked].assign(
            side=punishes[asked], role=np.where(moments["found"][asked].astype(bool), FOUND, MISSED)
        ),
    ]
    both = pd.concat([part.drop(columns="band") for part in parts], ignore_index=True)
    rows: pd.DataFrame = both.merge(games, on=["game", "side"], how="inner")
    return rows
