"""All that the page shows of motifs, as plain values for JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import chess
import pandas as pd

from miner.board.moves import line_san, unpack_move
from miner.finding.moment import Moment
from miner.finding.motif_words import share_words, sign_sentence
from miner.finding.motifs import MotifCount, Motifs, shares
from miner.finding.openings import moves_to
from miner.finding.through import Through
from miner.finding.words import plain
from miner.report.lines import line_of
from miner.terms import ALL_BANDS

EXAMPLES = 3
_LOOKED_AT = 4 * EXAMPLES
_OPENINGS = 8
DIGITS = 4
COUNTS = (
    "band",
    "per_100",
    "per_100_low",
    "per_100_high",
    "games",
    "players",
    "games_scanned",
    "found",
    "chances",
    "find_rate",
    "gain",
    "costs",
    "costs_low",
)
"""What is told of a motif in each band: columns of MOTIFS.

Behind them stands whether it is listed there: a part of another motif is not.
"""


@dataclass(frozen=True)
class Scanned:
    """What the scan found, and the games that it looked at."""

    motifs: Motifs
    played: pd.DataFrame  # game, ply, key and move of all their moves, by game and ply
    through: Through


def motif_contents(scanned: Scanned, bands: Sequence[str]) -> dict[str, Any]:
    """The motifs that some band falls for, each once with its rows by band, all together first.

    `bands` are those of the page.
    """
    motifs, played = scanned.motifs, scanned.played
    told_in = dict.fromkeys([ALL_BANDS, *bands, *(count.band for count in motifs.counts)])
    of_band = {band: motifs.listed(band) for band in told_in}
    motif_counts: dict[str, MotifCount] = {}
    for band in (ALL_BANDS, *bands):
        for count in of_band[band]:
            motif_counts.setdefault(count.motif, count)
    games = {int(str(game)): rows for game, rows in played.groupby("game")}
    taught = {topic.motif for band in told_in for topic in motifs.topics(band)}
    told = [
        _motif(motifs, count, of_band, games) | {"is_taught": count.motif in taught}
        for count in motif_counts.values()
    ]
    return {"games": motifs.games, "columns": [*COUNTS, "is_listed"], "list": told}


def _motif(
    motifs: Motifs,
    topic: MotifCount,
    of_band: Mapping[str, Sequence[MotifCount]],
    games: dict[int, pd.DataFrame],
) -> dict[str, Any]:
    """What is told of one; `of_band`: those listed in each band."""
    rows = motifs.mistakes_of(topic, ALL_BANDS)
    counts = [count for count in motifs.named(topic.motif).values() if count.is_told]
    listed = {count.band for count in counts if count in of_band[count.band]}
    openings = [_opening(share.name, share.games, share.of) for share in shares(rows, "opening")[:_OPENINGS]]
    return {
        "name": topic.motif,
        "pattern": topic.pattern,
        "counts": [
            [*(_rounded(getattr(count, name)) for name in COUNTS), count.band in listed] for count in counts
        ],
        "sign": sign_sentence(topic, motifs.signs(topic)),
        "by": share_words(shares(rows, "by")),
        "openings": openings,
        "examples": list(_examples(motifs, topic, games)),
    }


def _rounded(value: Any) -> Any:
    return round(value, DIGITS) if isinstance(value, float) else value


def _opening(name: str, games: int, of: int) -> dict[str, Any]:
    """An opening in which a motif arises, and the moves to it as the map names them; empty: it has none."""
    return {"name": plain(name, 60), "games": games, "of": of, "at": "_".join(moves_to().get(name, ()))}


def _examples(motifs: Motifs, topic: MotifCount, games: dict[int, pd.DataFrame]) -> Iterable[dict[str, Any]]:
    """Those in which the motif strikes at once, and of these such as were missed in the game, come first:
    they show what is to be learned.
    """
    moments = [one for one in motifs.examples(topic, _LOOKED_AT) if one.shown and _is_whole(one, games)]
    moments.sort(key=lambda one: (not one.is_at_once, bool(one.found)))
    return [_example(one, games[one.game]) for one in moments[:EXAMPLES]]


def _is_whole(moment: Moment, games: dict[int, pd.DataFrame]) -> bool:
    """Whether the way to a moment is on record: where a position came twice a part of it is not."""
    rows = games.get(moment.game)
    return rows is not None and rows["ply"].tolist()[: moment.ply] == list(range(moment.ply))


def _example(moment: Moment, game: pd.DataFrame) -> dict[str, Any]:
    start, after = chess.Board(), moment.board_after
    way = [unpack_move(move) for move in game["move"].tolist()[: moment.ply]]
    return {
        "ply": moment.ply,
        "side": str(moment.side),
        "band": moment.band,
        "opening": plain(moment.opening, 60),
        "path": {"san": line_san(start, way), "uci": " ".join(move.uci() for move in way)},
        "reply": line_of(moment.board, [moment.losing_reply]),
        "sign": moment.sign,
        "played": line_of(after, [moment.played] if moment.played else []),
        "found": bool(moment.found),
        "refutation": line_of(after, moment.refutation),
        "better": line_of(moment.board, moment.better),
        "wins": moment.wins,
    }


def boxes(scanned: Scanned, names: Sequence[str], keys: Sequence[int]) -> list[list[Any] | None]:
    """For each position of the map: scanned games through it, and games by a motif's place; or nothing."""
    places = {name: place for place, name in enumerate(names)}
    told = []
    for key in keys:
        found = [
            [places[share.name], share.games]
            for _, share in scanned.through.shares_at(key)
            if share.name in places
        ]
        told.append([scanned.through.games_at(key), found] if found else None)
    return told
