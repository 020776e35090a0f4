"""Pupils' games held against the findings: who fell in, who punished, and what it cost."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from typing import Any

import numpy as np
import pandas as pd

from miner.board.moves import pack, unpack_move
from miner.errors import UsageError
from miner.finding.finding import Finding, findings_of
from miner.finding.mistake import Reply
from miner.lesson.taught import NOTHING_TAUGHT, TaughtTable
from miner.means import Means
from miner.progress import Progress
from miner.pupils.before_after import progress_of
from miner.pupils.games import NO_MOVE, PupilGames, read_games
from miner.pupils.motifs import MotifCheck, check_motifs
from miner.pupils.roster import Member, Roster, is_day, period_of, pseudonyms
from miner.read.contents import Forgotten
from miner.store import Store
from miner.terms import UNRATED, BandScheme, Kind

ENOUGH_KEPT = 0.75
"""Share of the gain that a good answer keeps at least, where the stage `follow` says nothing else."""
MOST_PLIES = 255
MOST_PUPILS = 300
"""Players beyond which nobody means all of them to be pupils."""
_OF_GAME = ("pupil", "side", "source", "number", "date", "period", "rating", "key", "ply")
_OF_FINDING = ("move", "losing_reply", "kind", "band")
_OF_OUTCOME = ("outcome", "played", "kept", "basis", "usual", "lost", "won")


@dataclass(frozen=True, kw_only=True, slots=True)
class FindingIndex:
    """The findings of a store by losing reply, and how much of the gain each answer keeps."""

    scheme: BandScheme
    confidence: float
    rows: Mapping[tuple[int, int, str], Sequence[Finding]]  # by key, move and kind; in the order of the list
    losing: Mapping[tuple[int, str], Sequence[int]]  # losing replies, rising, by key and kind
    kept: Mapping[tuple[int, int, int], float]  # by key, move and answer; empty if nothing was followed
    enough: float
    refutations: Mapping[Reply, int]  # the best answer, packed

    @classmethod
    def of(cls, store: Store) -> FindingIndex:
        """Raises StoreError if nothing was ranked yet."""
        store.require("rank")
        tally, follow = store.require("tally").settings, store.manifest("follow")
        rows: dict[tuple[int, int, str], list[Finding]] = {}
        refutations: dict[Reply, int] = {}
        for finding in findings_of(store.read_table("by_band")):
            for view in finding.views:
                rows.setdefault((*finding.reply, view.kind), []).append(view)
            if finding.refutation:
                refutations[finding.reply] = pack(finding.board_after.parse_san(finding.refutation[0]))
        losing: dict[tuple[int, str], list[int]] = {}
        for key, move, kind in sorted(rows):
            losing.setdefault((key, kind), []).append(move)
        return cls(
            scheme=store.bands,
            confidence=tally.get("confidence", 0.9),
            rows=rows,
            losing=losing,
            kept=_kept_shares(store) if follow and store.path("followed").exists() else {},
            enough=follow.settings.get("kept", ENOUGH_KEPT) if follow else ENOUGH_KEPT,
            refutations=refutations,
        )

    @property
    def sides(self) -> set[str]:
        """The sides of the pupils for whom the findings were made."""
        return {str(finding.taught) for findings in self.rows.values() for finding in findings}

    def finding(self, key: int, move: int, kind: str, rating: int) -> Finding:
        """The row of the band that is nearest to a rating; for the unrated, theirs, or else the first."""
        rows = self.rows[key, move, kind]
        names = self.scheme.names
        if rating <= 0:
            return next((row for row in rows if row.band == UNRATED), rows[0])
        rated = [row for row in rows if row.band != UNRATED] or list(rows)
        own = names.index(self.scheme.name_of(rating))
        return min(rated, key=lambda row: (abs(names.index(row.band) - own), names.index(row.band)))

    def answered(self, key: int, move: int, answer: int) -> tuple[float | None, bool, str]:
        """The share of the gain that an answer keeps (1 all of it, 0 or less nothing; None: not known),
        whether that is enough, and how it is known: followed, or refutation where only the best answer is.
        """
        share = self.kept.get((key, move, answer))
        if share is not None:
            return share, share >= self.enough, "followed"
        is_best = answer == self.refutations.get((key, move))
        return 1.0 if is_best else None, is_best, "refutation"


def _kept_shares(store: Store) -> dict[tuple[int, int, int], float]:
    columns = ["key", "move", "answer", "plies", "kept"]
    return {
        (row["key"], row["move"], row["answer"]): row["kept"]
        for row in store.read_table("followed", columns).to_pylist()
        if row["plies"] == 0 and row["kept"] is not None
    }


class Outcome(StrEnum):
    """The ways in which a pupil met a finding."""

    FELL_IN = "fell in"  # played the losing reply
    AVOIDED = "avoided"  # was to move and played nothing that is known to lose
    PUNISHED = "punished"  # the opponent played the losing reply, and the answer kept most of the gain
    MISSED = "missed"  # the opponent played it, and the answer did not
    NOT_ASKED = "not asked"  # the opponent was to move and played something else
    NOT_TOLD = "not told"  # the opponent played it, and the game tells no answer


@dataclass(frozen=True, kw_only=True, slots=True)
class PupilsCheck:
    """Pupils' games held against findings. No table holds a name; `names` has those that were asked for, by
    pseudonym.

    `meetings`: one row per game, pupil and finding met: pupil, side, source and number (of the text and of
    the game in it, from 1), date, period (before or after the lesson, or empty), rating (in that game; 0:
    none), key, ply, move (the losing reply, packed), losing_reply (SAN), kind (of the finding for this pupil:
    pitfall if he was to move, else trap), band (of the finding's row that was taken), outcome, played (SAN of
    the pupil's move that decides, or empty), kept (share of the gain left after it), basis (followed or
    refutation: how that is known), usual (share of the band that falls in there, by whichever losing reply,
    or that punishes; NaN: not known or not asked), lost and won (points, that is expected score by the band's
    curve; NaN: not known).

    `by_pupil`: pupil, group, games, first and last (dates of the games that count, empty without any), met,
    fell_in, avoided, punished, missed, lost, won, unpriced (missed punishments whose cost is not known),
    usual_falls (how often players of the band would have fallen in), lost_per_100 (games); a position counts
    once for each game. `by_finding`: key, move, losing_reply, pupils (who met it), and the same counts and
    sums.

    `progress`: see `miner.pupils.before_after.progress_of`; empty without the day of a lesson.
    """

    meetings: pd.DataFrame
    by_pupil: pd.DataFrame
    by_finding: pd.DataFrame
    progress: pd.DataFrame
    ledger: Counter[str]  # games seen, in each state
    games: int  # in which pupils' games count; a game of two pupils is one
    without_pupils: int
    too_early: int  # pupils' games before the date from which theirs count
    absent: tuple[int, ...]  # places in the list, from 1, of players who have no game here
    lesson: date | None
    index: FindingIndex
    motifs: MotifCheck | None  # None: the pupils' games were not scanned
    names: dict[str, str]
    sources: tuple[str, ...] = ()  # the names of the texts that the games are from, if names were asked for
    lessons: TaughtTable = NOTHING_TAUGHT  # what the groups were taught, each on its own day

    def finding(self, meeting: Any) -> Finding:
        """The finding that a row of `meetings` was held against."""
        rows = self.index.rows[int(meeting["key"]), int(meeting["move"]), str(meeting["kind"])]
        return next(row for row in rows if row.band == meeting["band"])


def check_games(
    store: Store,
    sources: Sequence[str],
    players: Iterable[Member | str] | None = None,
    *,
    since: str = "",
    lesson: date | None = None,
    taught: Collection[int] = (),
    lessons: TaughtTable = NOTHING_TAUGHT,
    names: bool = False,
    progress: Progress | None = None,
    means: Means | None = None,
) -> PupilsCheck:
    """Hold the games of players against a store's findings; only the numbers of new pupils are written to it.

    With `means` all of their games are scanned for motifs, too, if the store's own were.

    `sources` as for reading; `players`: whose games count (all if None), from `since` on (2024, 2024.09 or
    2024.09.15) unless their own entry says otherwise. With the day of a `lesson`, progress is told, of all
    findings or of those at the `taught` position keys only. With `lessons` it is told of what a pupil's group
    was taught, from the day of each topic on. Each pupil has a pseudonym
    by the number that the store keeps; names are told only if `names` are asked for. Who was forgotten stays
    so.
    Raises StoreError if nothing was ranked yet, or new pupils' numbers cannot be kept, SourceError for a
    source that cannot be read, UsageError for a `since` that is no date, or for too many players.
    """
    if since and not is_day(since):
        raise UsageError(f"since {since!r} is no date", advice="write 2024, 2024.09 or 2024.09.15")
    index = FindingIndex.of(store)
    roster = Roster.of(store.salt, players, since)
    plies = min(MOST_PLIES, store.require("read").settings.get("plies", 30) + 1)
    keys = {key for key, _, _ in index.rows}
    forgotten = Forgotten.of(store).identities
    read = read_games(
        sources,
        roster,
        keys,
        plies,
        forgotten=forgotten,
        names=names,
        whole=means is not None,
        progress=progress,
    )
    found = read.games["player"].nunique()
    if roster.everybody and found > MOST_PUPILS:
        raise UsageError(
            f"{found:,} players have games there", advice="say which of them are pupils with --players FILE"
        )
    called = pseudonyms(store, read.games["player"])
    own = _named(read, called, lesson)
    groups = {name: roster.member(player).group for player, name in called.items()}
    meetings = _since_each_lesson(_meetings(read, index, own), lessons, groups)
    at_taught = meetings["key"].isin(np.array(sorted(taught), dtype=np.uint64))
    places = {player: place for place, player in enumerate(roster.members, start=1)}
    return PupilsCheck(
        meetings=meetings,
        by_pupil=_by_pupil(read.games, meetings, called, roster),
        by_finding=_by_finding(meetings),
        progress=progress_of(meetings[at_taught] if taught else meetings, confidence=index.confidence),
        ledger=read.ledger,
        games=read.games["game"].nunique(),
        without_pupils=read.without_pupils,
        too_early=read.too_early,
        absent=tuple(place for player, place in places.items() if player not in called),
        lesson=lesson,
        index=index,
        motifs=_checked_motifs(store, read, own, plies, means, lessons, groups) if means else None,
        names={called[player]: name for player, name in read.names.items() if player in called},
        sources=read.sources if names else (),
        lessons=lessons,
    )


def _since_each_lesson(
    meetings: pd.DataFrame, lessons: TaughtTable, groups: Mapping[str, str]
) -> pd.DataFrame:
    """Meetings before and after the day on which their own topic was taught, if there are such days."""
    if not lessons.lines:
        return meetings
    asked = zip(*(meetings[name] for name in ("pupil", "key", "losing_reply", "date")), strict=True)
    periods = []
    for pupil, key, losing_reply, played in asked:
        day = lessons.day_of(groups[pupil], int(key), losing_reply)
        periods.append(period_of(played, day) if day else "")
    return meetings.assign(period=periods)


def _checked_motifs(
    store: Store,
    read: PupilGames,
    games: pd.DataFrame,
    plies: int,
    means: Means,
    lessons: TaughtTable,
    groups: Mapping[str, str],
) -> MotifCheck | None:
    found = check_motifs(store, read, games, plies, means)
    if found is None or not lessons.lines:
        return found
    days = {
        (pupil, pattern): day
        for pupil, group in groups.items()
        for pattern in {count.pattern for count in found.known.counts}
        if (day := lessons.day_of_pattern(group, pattern))
    }
    return replace(found, taught_on=days)


def _named(read: PupilGames, called: dict[str, str], lesson: date | None) -> pd.DataFrame:
    """The pupils' games with their pseudonyms, and whether each was before the lesson or after it."""
    return read.games.assign(
        pupil=read.games["player"].map(called),
        period=[period_of(day, lesson) if lesson else "" for day in read.games["date"]],
    )


def _meetings(read: PupilGames, index: FindingIndex, games: pd.DataFrame) -> pd.DataFrame:
    # The middle one of each player's ratings, for the games in which there is none.
    own = games[games["rating"] > 0].groupby("player")["rating"].median()
    rows: list[dict[Any, Any]] = []
    for row in games.merge(read.visits, on="game").to_dict("records"):
        rating = row["rating"] or int(own.get(row["player"], 0))
        is_mover = (row["ply"] % 2 == 0) == (row["side"] == "white")
        found = _own_moves(row, index, rating) if is_mover else _answers(row, index, rating)
        rows += [row | meeting for meeting in found]
    frame = pd.DataFrame(rows, columns=[*_OF_GAME, *_OF_FINDING, *_OF_OUTCOME])
    shares = dict.fromkeys(["kept", "usual", "lost", "won"], np.float64)
    frame = frame.astype({"key": np.uint64, **shares})
    return frame.sort_values(["pupil", "source", "number", "ply", "move"], ignore_index=True)


def _own_moves(row: dict[Any, Any], index: FindingIndex, rating: int) -> list[dict[str, Any]]:
    """The pupil was to move: what he fell into, or else everything that he avoided."""
    losing = index.losing.get((row["key"], Kind.PITFALL), ())
    findings = [index.finding(row["key"], move, Kind.PITFALL, rating) for move in losing]
    usual = min(1.0, sum(finding.pick_rate for finding in findings))
    if row["move"] in losing:
        finding = findings[losing.index(row["move"])]
        fell_in = _meeting(finding, row["move"], Outcome.FELL_IN, finding.losing_reply)
        return [fell_in | {"lost": finding.gain_for_band, "usual": usual}]
    if not losing:
        return []
    played = findings[0].board.san(unpack_move(row["move"]))
    return [
        _meeting(finding, move, Outcome.AVOIDED, played) | {"usual": usual}
        for move, finding in zip(losing, findings, strict=True)
    ]


def _answers(row: dict[Any, Any], index: FindingIndex, rating: int) -> list[dict[str, Any]]:
    """The opponent was to move: how the pupil answered a losing reply, or else all that did not come."""
    losing = index.losing.get((row["key"], Kind.TRAP), ())
    if row["move"] not in losing:
        return [
            _meeting(index.finding(row["key"], move, Kind.TRAP, rating), move, Outcome.NOT_ASKED)
            for move in losing
        ]
    finding = index.finding(row["key"], row["move"], Kind.TRAP, rating)
    if row["next"] == NO_MOVE:
        return [_meeting(finding, row["move"], Outcome.NOT_TOLD)]
    share, is_enough, basis = index.answered(row["key"], row["move"], row["next"])
    left = np.nan if share is None else min(1.0, max(0.0, share))
    outcome = Outcome.PUNISHED if is_enough else Outcome.MISSED
    answer = finding.board_after.san(unpack_move(row["next"]))
    return [
        _meeting(finding, row["move"], outcome, answer)
        | {
            "kept": share,
            "basis": basis,
            "usual": finding.find_rate,
            "lost": 0.0 if is_enough else finding.gain_for_band * (1.0 - left),
            "won": finding.gain_for_band * left,
        }
    ]


def _meeting(finding: Finding, move: int, outcome: Outcome, played: str = "") -> dict[str, Any]:
    return {
        "move": move,
        "losing_reply": finding.losing_reply,
        "kind": str(finding.kind),
        "band": finding.band,
        "outcome": str(outcome),
        "played": played,
        "kept": None,
        "basis": "",
        "usual": None,
        "lost": 0.0,
        "won": 0.0,
    }


_COUNTED = {
    "fell_in": Outcome.FELL_IN,
    "avoided": Outcome.AVOIDED,
    "punished": Outcome.PUNISHED,
    "missed": Outcome.MISSED,
}


def _sums(meetings: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    counted = meetings.assign(
        met=1,
        **{name: (meetings["outcome"] == outcome).astype(np.int64) for name, outcome in _COUNTED.items()},
        unpriced=meetings["lost"].isna().astype(np.int64),
        usual_falls=meetings["usual"].where(meetings["kind"] == Kind.PITFALL, 0.0),
    )
    columns = ["met", *_COUNTED, "lost", "won", "unpriced", "usual_falls"]
    sums: pd.DataFrame = counted.groupby(by, sort=True)[columns].sum()
    return sums


def _by_pupil(
    games: pd.DataFrame, meetings: pd.DataFrame, called: dict[str, str], roster: Roster
) -> pd.DataFrame:
    played = dict(tuple(games.groupby("player")["date"]))
    # Each position of a game counts once: avoiding three mistakes in one move is one good move.
    positions = meetings.drop_duplicates(["pupil", "source", "number", "key"])
    about = pd.DataFrame(
        [
            {"pupil": name, "group": roster.member(player).group, "games": len(played[player])}
            | _first_and_last(played[player])
            for player, name in called.items()
        ],
        columns=["pupil", "group", "games", "first", "last"],
    )
    table = about.merge(_sums(positions, ["pupil"]).reset_index(), on="pupil", how="left")
    counts = ["met", *_COUNTED, "unpriced"]
    table = table.fillna(dict.fromkeys([*counts, "lost", "won", "usual_falls"], 0)).astype(
        dict.fromkeys(counts, np.int64)
    )
    table = table.assign(lost_per_100=100.0 * table["lost"] / table["games"])
    return table.sort_values("pupil", ignore_index=True)


def _first_and_last(dates: pd.Series) -> dict[str, str]:
    days = sorted(day for day in dates if day[:4].isdigit())
    return {"first": days[0], "last": days[-1]} if days else {"first": "", "last": ""}


def _by_finding(meetings: pd.DataFrame) -> pd.DataFrame:
    by = ["key", "move", "losing_reply"]
    sums = _sums(meetings, by)
    sums.insert(0, "pupils", meetings.groupby(by)["pupil"].nunique())
    order = sums.reset_index().sort_values(
        ["lost", "met", "key", "move"], ascending=[False, False, True, True]
    )
    return order.reset_index(drop=True)
