"""The motifs of a store as typed values: what each band falls for, where it arises, and what shows it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from itertools import islice
from typing import Any

import chess
import numpy as np
import pandas as pd

from miner.board.moves import after, parse_uci_line
from miner.explain.motif import Theme
from miner.explain.sign import Sign, signs_of
from miner.finding.moment import LINE_PLIES, Moment, moment_of, strikes_by
from miner.stats import USUAL_RATING, chance_at
from miner.store import Store
from miner.terms import ALL_BANDS

TOLD_FROM = 5
"""Players from which anything is told of them: of fewer nobody knows whether it recurs."""
UNNAMED = Theme.POSITION.value
NO_STRIKE = frozenset({Theme.MISSED_RECAPTURE.value, Theme.MISSED_GAIN.value})
"""Motifs in which what strikes is the move that was missed: nobody can be asked to punish them by it."""
SIGN_SHARE = 0.5
"""Share of the examples in which a sign must be there to be told."""
_BLOWS = 5  # commonest ones of a motif that are looked for where they fail
_LOOKED_AT = 4  # examples for each that is told
_NODE = ("pattern", "piece", "square")
_MOST_OF = 0.5
"""Share of a motif's games that a finer one must hold to be told in its place."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MotifCount:
    """A row of MOTIFS, which says what each field is and in which unit."""

    band: str
    motif: str
    pattern: str
    piece: str
    square: str
    games_scanned: int
    games: int
    players: int
    per_100: float
    per_100_low: float
    per_100_high: float
    chances: int
    chance_players: int
    found: int
    found_best: int
    find_rate: float | None
    find_rate_low: float | None
    find_rate_high: float | None
    best_rate: float | None
    gain: float
    costs: float
    costs_low: float

    @property
    def depth(self) -> int:
        """0: a pattern, 1: of a piece, 2: on a square."""
        return bool(self.piece) + bool(self.square)

    @property
    def is_told(self) -> bool:
        """Whether enough players of the band fell for it."""
        return self.players >= TOLD_FROM

    def holds(self, other: MotifCount | Moment) -> bool:
        """Whether the other is the same motif or a finer one of it, or a moment that is punished by it."""
        return all(getattr(self, name) in ("", getattr(other, name)) for name in _NODE)


@dataclass(frozen=True, slots=True)
class Share:
    """How often something goes with a motif: so many of so many games."""

    name: str
    games: int
    of: int


@dataclass(frozen=True, slots=True)
class SignCount:
    """A sign by which a motif is seen coming, in so many of so many examples."""

    sign: Sign
    times: int
    of: int


@dataclass(frozen=True)
class Motifs:
    """What the scan found: the motifs that enough players fell for, by band, and all mistakes."""

    counts: tuple[MotifCount, ...]
    rows: pd.DataFrame  # as `moments`
    games: int  # scanned
    ratings: Mapping[str, int] = field(default_factory=dict)  # in the middle of each band
    chance_per_point: float | None = None  # of the odds that an answer is found; None: not known

    @classmethod
    def of(cls, store: Store) -> Motifs:
        """Raises StoreError if nothing was scanned yet."""
        facts = store.require("scan").facts
        table, moments = (store.read_table(name).to_pandas() for name in ("motifs", "moments"))
        ratings = {str(band): band.middle for band in store.bands.bands}
        known = cls.of_tables(table, moments, facts["games"])
        return replace(known, ratings=ratings, chance_per_point=facts.get("chance_per_point"))

    @classmethod
    def of_tables(cls, table: pd.DataFrame, moments: pd.DataFrame, games: int) -> Motifs:
        """By the tables `motifs` and `moments` of so many scanned games."""
        told = table[table["recurs"] & (table["pattern"] != UNNAMED)]
        names = [field.name for field in fields(MotifCount)]
        counts = tuple(MotifCount(**_known(row)) for row in rows_of(told[names]))
        return cls(counts, moments, games)

    def of_band(self, band: str = ALL_BANDS) -> list[MotifCount]:
        """The motifs of a band that enough of its players fell for, what costs most first."""
        told = [count for count in self.counts if count.band == band and count.is_told]
        return sorted(told, key=lambda count: (-count.costs_low, count.motif))

    def named(self, motif: str) -> dict[str, MotifCount]:
        """The rows of one motif by band, as far as there are any."""
        return {count.band: count for count in self.counts if count.motif == motif}

    def topics(self, band: str = ALL_BANDS) -> list[MotifCount]:
        """The motifs of a band to be taught one by one, what costs most first; none is a part of another.

        Each pattern that something strikes by, as finely as one piece or square has most of its games.
        """
        told = self.of_band(band)
        strikes = [count for count in self.listed(band) if count.pattern not in NO_STRIKE]
        return [count for count in strikes if any(count.holds(other) and other.piece for other in told)]

    def listed(self, band: str = ALL_BANDS) -> list[MotifCount]:
        """All that a band falls for, what costs most first: each pattern that enough of its players fell for
        once, as finely as one piece or square has most of its games.
        """
        told = self.of_band(band)
        finest = [_finest(count, told) for count in told if count.depth == 0]
        return sorted(finest, key=lambda count: (-count.costs_low, count.motif))

    def finders(self, moment: Moment, band: str) -> MotifCount | None:
        """The finest row of the band that tells how often its players find the motif of a moment."""
        own = (count for count in self.counts if count.band == band and count.find_rate is not None)
        told = [count for count in own if count.holds(moment)]
        return max(told, key=lambda count: count.depth, default=None)

    def chance(self, moment: Moment, band: str) -> float | None:
        """Probability (0 to 1) that a player of the band finds an answer, by the scan's model, if any."""
        if moment.chance is None or self.chance_per_point is None:
            return None
        rating = self.ratings.get(band, USUAL_RATING)
        return float(chance_at(moment.chance, rating, self.chance_per_point))

    def mistakes_of(self, count: MotifCount, band: str | None = None) -> pd.DataFrame:
        """The mistakes that are punished by a motif, made by players of its own band or of another."""
        return of_node(self.rows, {name: getattr(count, name) for name in _NODE}, band or count.band)

    def signs(self, count: MotifCount) -> list[SignCount]:
        """What shows it beforehand in most examples of any band, the surest first; told of enough players.

        Examples are those in which the blow comes at once.
        """
        rows = self.mistakes_of(count, ALL_BANDS)
        rows = rows[rows["piece"] != ""]
        shown = [_signs(row) for row in rows_of(rows)]
        at_once = rows.assign(signs=pd.Series(shown, index=rows.index, dtype=object))
        at_once = at_once[at_once["signs"].notna()]
        if players_in(at_once) < TOLD_FROM:
            return []
        times = {sign: sum(sign in signs for signs in at_once["signs"]) for sign in Sign}
        most = [SignCount(sign, number, len(at_once)) for sign, number in times.items()]
        told = [one for one in most if one.times >= max(TOLD_FROM, SIGN_SHARE * one.of)]
        return sorted(told, key=lambda one: -one.times)

    def too_soon(self, count: MotifCount) -> Moment | None:
        """A mistake that is the motif's own blow, where it fails; None: there is none among the moments.

        The same piece goes to the same square, and takes and gives check as in the clearest example of that;
        of a motif that is told by its pattern, one of its commonest blows.
        """
        rows = self.mistakes_of(count, ALL_BANDS)
        rows = rows[rows["square"] != ""]
        commonest = list(zip(rows["piece"], rows["square"], strict=True))
        for (piece, square), _ in Counter(commonest).most_common(_BLOWS):
            like = rows[(rows["piece"] == piece) & (rows["square"] == square)]
            [clear] = rows_of(clearest(like, 1))
            if (found := self._failing(moment_of(clear), piece, square)) is not None:
                return found
        return None

    def _failing(self, example: Moment, piece: str, square: str) -> Moment | None:
        if not example.refutation:
            return None
        fits = self.rows["losing_reply"].map(lambda san: _as_seen(example.refutation[0], san))
        for row in rows_of(self.rows[fits].sort_values(["ply", "game"])):
            board = chess.Board(row["fen"])
            if strikes_by(board, board.parse_uci(row["losing_reply_uci"]), piece, square):
                return moment_of(row)
        return None

    def examples(self, count: MotifCount, most: int) -> list[Moment]:
        """Those mistakes that show it soonest, each of another game; of any band if its own has too few.

        Where the blow does not come at once, the motif is not what one sees: such come last.
        """
        wide = most * _LOOKED_AT
        own, of_all = self.mistakes_of(count), self.mistakes_of(count, ALL_BANDS)
        struck = _struck(own, wide)
        if struck["game"].nunique() < most:
            struck = pd.concat([struck, _struck(of_all, wide)])
        rows = pd.concat([struck, clearest(own, wide)])
        if len(own) < wide:
            rows = pd.concat([rows, clearest(of_all, wide)])
        distinct = rows.drop_duplicates("game").drop_duplicates("fen").head(wide)
        shown = [moment_of(row) for row in rows_of(distinct)]
        return sorted(shown, key=lambda one: (not one.is_at_once, one.shown or LINE_PLIES))[:most]


def _signs(row: Mapping[str, Any]) -> frozenset[Sign] | None:
    """The signs of a moment whose first answer is the blow; None: it comes later."""
    blow = _blow(row)
    return signs_of(chess.Board(row["fen"]), blow) if blow else None


def _blow(row: Mapping[str, Any]) -> chess.Move | None:
    """The first answer of a moment, if that is the blow; None: it comes later."""
    board = chess.Board(row["fen"])
    line = parse_uci_line(board, list(row["pv_reply"])[:2])
    if len(line) < 2 or not strikes_by(after(board, line[:1]), line[1], row["piece"], row["square"]):
        return None
    return line[1]


def _struck(rows: pd.DataFrame, most: int) -> pd.DataFrame:
    """Of some moments those whose first answer is the blow, the clearest first."""
    order = clearest(rows, len(rows))
    struck = (at for at, row in zip(order.index, rows_of(order), strict=True) if _blow(row))
    return order.loc[list(islice(struck, most))]


def _as_seen(blow: str, san: str) -> bool:
    """Whether a move takes and gives check as another does."""
    return ("x" in blow) == ("x" in san) and blow.endswith(("+", "#")) == san.endswith(("+", "#"))


def _known(row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: None if isinstance(value, float) and np.isnan(value) else value for name, value in row.items()
    }


def _finest(coarse: MotifCount, told: Sequence[MotifCount]) -> MotifCount:
    """The finest of the told motifs that has most of the games of a coarse one."""
    finer = [one for one in told if coarse.holds(one) and one.games >= _MOST_OF * coarse.games]
    return max(finer, key=lambda one: (one.depth, one.games))


def read_motifs(store: Store) -> Motifs | None:
    """What was scanned of a store; None: nothing was.

    Raises StoreError if a table is there but damaged.
    """
    return Motifs.of(store) if store.manifest("scan") else None


def group_of(bands: Collection[str]) -> str:
    """The band whose motifs are told where these are asked for: the one, or all together."""
    return next(iter(bands)) if len(bands) == 1 else ALL_BANDS


def rows_of(table: pd.DataFrame) -> list[dict[str, Any]]:
    """The rows as values by their columns' names."""
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def of_node(moments: pd.DataFrame, node: Mapping[str, Any], band: str = ALL_BANDS) -> pd.DataFrame:
    """The moments of a motif, in which players of the band erred; what a node leaves open may be anything."""
    fits = moments["pattern"] == node["pattern"]
    for name in ("piece", "square"):
        if node[name]:
            fits &= moments[name] == node[name]
    found: pd.DataFrame = moments[fits if band == ALL_BANDS else fits & (moments["band"] == band)]
    return found


def clearest(moments: pd.DataFrame, most: int) -> pd.DataFrame:
    """Those that show a motif best: early in the game, with one answer only; each position once."""
    order = moments.assign(answers_known=moments["answers"].map(len))
    order = order.sort_values(["answers_known", "ply", "game"], kind="stable")
    return order.drop_duplicates("fen").head(most)


def players_in(rows: pd.DataFrame) -> int:
    """Distinct players who erred in these moments; each who is not known is another in every game."""
    sides = rows.assign(side=rows["ply"] % 2)
    known, unknown = (sides[sides["player"] > 0], sides[sides["player"] == 0])
    return int(known["player"].nunique() + len(unknown.drop_duplicates(["game", "side"])))


def shares(rows: pd.DataFrame, column: str) -> list[Share]:
    """The values of a column of moments with their games, the most frequent first.

    Told is what enough players did. Empty values are none.
    """
    return list(_shares(rows, column))


def _shares(rows: pd.DataFrame, column: str) -> Iterator[Share]:
    once = rows.assign(side=rows["ply"] % 2).drop_duplicates(["game", "side"])
    counts = once.loc[once[column] != "", column].value_counts()
    for name, games in sorted(counts.items(), key=lambda item: (-item[1], str(item[0]))):
        if players_in(once[once[column] == name]) >= TOLD_FROM:
            yield Share(str(name), int(games), len(once))
