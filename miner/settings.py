"""One frozen dataclass per stage: what can change a result, and nothing else. TOML in and out."""

from __future__ import annotations

import dataclasses
import json
import math
import re
import sys
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, get_args

from miner.errors import UsageError
from miner.terms import BandScheme

_LONGEST_FILE = 1 << 20  # bytes; all settings in full take some 2,000

Names = Literal["hash", "keep", "drop"]
TimeClass = Literal["bullet", "blitz", "rapid", "classical", "correspondence", "unknown"]
Rated = Literal["any", "rated", "casual"]
Taught = Literal["white", "black", "both"]
DEFAULT_EDGES = (800, 1000, 1200, 1400, 1600, 1800, 2000, 2200, 2400)


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadSettings:
    """Which games are read, how far, and what becomes of the players' names."""

    plies: int = 30  # plies of each game that are kept
    names: Names = "hash"
    since: str = ""  # earliest date, YYYY or YYYY.MM or YYYY.MM.DD; empty: any
    until: str = ""
    events: tuple[
        str, ...
    ] = ()  # parts of an Event tag, any of which must occur (upper or lower case alike); empty: any
    time_classes: tuple[TimeClass, ...] = ()  # empty: any
    results: tuple[str, ...] = ()  # of 1-0, 0-1, 1/2-1/2; empty: any
    rated: Rated = "any"
    min_rating: int = 0  # of both players; a game with a missing rating passes only if 0
    max_rating: int = 0  # of both players; 0: any

    def __post_init__(self) -> None:
        _check(1 <= self.plies <= 255, f"plies {self.plies} is out of range", "keep 1 to 255 plies")
        _check_choice("names", self.names, get_args(Names))
        _check_choice("rated", self.rated, get_args(Rated))
        for time_class in self.time_classes:
            _check_choice("time_classes", time_class, get_args(TimeClass))
        for result in self.results:
            _check_choice("results", result, ("1-0", "0-1", "1/2-1/2"))
        for name in ("since", "until"):
            date = getattr(self, name)
            parts = date.split(".")
            fine = [len(part) for part in parts] in ([4], [4, 2], [4, 2, 2]) and all(
                p.isascii() and p.isdigit() for p in parts
            )
            _check(not date or fine, f"{name} {date!r} is no date", "write 2024, 2024.09 or 2024.09.15")
        _check(
            not self.max_rating or self.min_rating <= self.max_rating,
            f"no rating lies between {self.min_rating} and {self.max_rating}",
            "write the lower rating as min_rating",
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class TallySettings:
    """How replies are counted."""

    band_edges: tuple[int, ...] = DEFAULT_EDGES
    min_games: int = 0  # games through a position from which it is tallied; 0: grows with the data
    confidence: float = 0.9  # of the intervals of pick rates and points
    prior: str = ""  # store of an earlier, larger database whose rates are expected here; empty: none

    def __post_init__(self) -> None:
        BandScheme(self.band_edges)
        _check(
            self.min_games >= 0, f"min_games {self.min_games} is below 0", "give 0 for what suits the data"
        )
        _check_confidence(self.confidence)

    @property
    def bands(self) -> BandScheme:
        """The bands that the edges make."""
        return BandScheme(self.band_edges)

    def enough_games(self, games: int) -> int:
        """Games through a position, all bands together, from which a store of so many `games` tells of it.

        10, and twice as many for every fourfold of 160,000 games: 20 of 1.5 million, 160 of a month's 90
        million. From 160,000 games on that is half of what one reply needs to be judged by default
        (`JudgeSettings.enough_games`), or less. It goes up by leaps, so that an addition rarely changes it.
        """
        leaps = max(0, ((games // 160_000).bit_length() - 1) // 2)
        return self.min_games or 10 << leaps


@dataclass(frozen=True, kw_only=True, slots=True)
class JudgeSettings:
    """Which replies are judged, and how deep; part of the verdicts' cache key."""

    min_games: int = 0  # games with the reply, in one band; 0: grows with the data, see `enough_games`
    min_players: int = 3  # distinct players among them, where players are known
    min_pick_rate: float = 0.03
    min_points: float = 1.0  # points per 100 games that a reply would be worth if it lost half a point
    nodes: tuple[int, ...] = (100_000, 400_000, 1_600_000)  # per search, screen to final
    keep: tuple[float, ...] = (0.45, 0.85)  # share of the threshold that must be lost to go one stage on
    loss_threshold: float = 0.10  # expected score, 0 to 1
    tempo_threshold: float = 0.05  # the same for a tempo lost by force
    hash_mb: int = 16

    def __post_init__(self) -> None:
        _check(
            list(self.nodes) == sorted(set(self.nodes)) and len(self.nodes) >= 2 and self.nodes[0] > 0,
            f"nodes {', '.join(map(str, self.nodes))} do not rise",
            "list at least two budgets, the smallest first",
        )
        _check(len(self.keep) >= 1, "keep is empty", "give a share of the threshold for each stage")
        for name in ("min_pick_rate", "loss_threshold", "tempo_threshold"):
            _check_share(name, getattr(self, name))
        for share in self.keep:
            _check_share("keep", share)
        _check(
            self.min_games >= 0, f"min_games {self.min_games} is below 0", "give 0 for what suits the data"
        )
        _check(self.min_players >= 0, f"min_players {self.min_players} is below 0", "give 0 for any number")
        _check(
            0.0 <= self.min_points < math.inf,
            f"min_points {self.min_points} is no number of points",
            "give 0 or more",
        )
        _check(self.hash_mb >= 1, f"hash_mb {self.hash_mb} is below 1", "give each engine 1 MiB or more")

    def keeps_from(self, stage: int) -> float:
        """Share of the threshold that a reply must lose at a stage (from 0) to go on."""
        return self.keep[min(stage, len(self.keep) - 1)]

    def enough_games(self, games: int) -> int:
        """Games with a reply, in one band, from which it is judged, where the store holds so many `games`.

        The root of the games by 20, and 5 at least: 5 of a club's 3,000, 19 of 146,000, 500 of a hundred
        million. Rare replies are then judged as far as they can be told from chance, and the number of
        candidates grows no faster than the games.
        """
        return self.min_games or max(5, round(math.sqrt(games) / 20))


@dataclass(frozen=True, kw_only=True, slots=True)
class FollowSettings:
    """How the games after a losing reply are followed."""

    nodes: int = 200_000  # per search of an answer
    kept: float = 0.5  # share of the gain that a move must keep to have found the punishment
    moves: int = 12  # moves of the side that profits that are followed
    min_games: int = 5  # games through a later position from which it is told
    most_games: int = 400  # games with one losing reply that are read whole, the strongest players' first
    models: int = 3  # model games per losing reply
    model_nodes: int = 20_000  # per move of a model game
    season_starts: int = 8  # month (1 to 12) in which a season begins

    def __post_init__(self) -> None:
        for name in ("nodes", "moves", "min_games", "model_nodes"):
            _check(getattr(self, name) >= 1, f"{name} {getattr(self, name)} is below 1", "give 1 or more")
        for name in ("most_games", "models"):
            _check(getattr(self, name) >= 0, f"{name} {getattr(self, name)} is below 0", "give 0 or more")
        _check_share("kept", self.kept)
        _check(1 <= self.season_starts <= 12, f"there is no month {self.season_starts}", "give 1 to 12")


@dataclass(frozen=True, kw_only=True, slots=True)
class RankSettings:
    """Which losing replies become findings, and in whose interest."""

    side: Taught = "both"  # the side that is taught
    bands: tuple[str, ...] = ()  # empty: all
    loss_threshold: float = 0.10
    tempo_threshold: float = 0.05
    hold_share: float = 0.5  # share of its threshold that a finding must have lost at the budget before, too
    soundness: float = 0.05  # expected score that a move of ours may lose on the way to a trap
    repertoire: str = ""  # PGN file of what `side` plays: only positions that arise in it count; empty: any

    def __post_init__(self) -> None:
        _check_choice("side", self.side, get_args(Taught))
        for name in ("loss_threshold", "tempo_threshold", "hold_share", "soundness"):
            _check_share(name, getattr(self, name))
        _check(
            not self.repertoire or self.side != "both",
            "a repertoire is one side's",
            "say whose it is: side white or black",
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class SteerSettings:
    """How our moves against a band are compared. Not a stage: it leaves no table."""

    soundness: float = 0.05  # expected score that a move of ours may lose against the engine's best
    plies: int = 20  # from the first position on; what lies deeper is the engine's verdict
    min_reach: float = 1 / 300  # share of games in which a branch arises, below which it is a leaf
    min_games: int = 5  # games, all bands together, from which a move of ours is worth a look
    nodes: int = 100_000  # per search of what was not judged
    hash_mb: int = 16
    losing: float = 0.10  # expected score that a reply loses, to be told as a trap
    popular: float = 0.15  # share of the band that choose a reply, to be told as taken away
    strong_rating: int = 2000  # players from here on are the strong ones that the band is compared with
    draws: int = 300  # from what the pick rates and the curve may be as well, for the intervals
    confidence: float = 0.9

    def __post_init__(self) -> None:
        for name in ("soundness", "min_reach", "losing", "popular"):
            _check_share(name, getattr(self, name))
        _check(self.min_reach > 0.0, "min_reach 0 has no end", "give a share such as 0.003")
        for name in ("plies", "min_games", "nodes", "hash_mb", "strong_rating"):
            _check(getattr(self, name) >= 1, f"{name} {getattr(self, name)} is below 1", "give 1 or more")
        _check(self.draws >= 20, f"draws {self.draws} are too few for an interval", "give 20 or more")
        _check_confidence(self.confidence)


@dataclass(frozen=True, kw_only=True, slots=True)
class Settings:
    """The settings of all stages."""

    read: ReadSettings = field(default_factory=ReadSettings)
    tally: TallySettings = field(default_factory=TallySettings)
    judge: JudgeSettings = field(default_factory=JudgeSettings)
    follow: FollowSettings = field(default_factory=FollowSettings)
    rank: RankSettings = field(default_factory=RankSettings)
    steer: SteerSettings = field(default_factory=SteerSettings)


def as_dict(settings: Any) -> dict[str, Any]:
    """A settings object as plain values, tuples as lists, ready for JSON."""
    return {
        name: list(value) if isinstance(value, tuple) else value
        for name, value in dataclasses.asdict(settings).items()
    }


def load_settings(path: Path) -> Settings:
    """Settings from a TOML file with one table per stage; what it does not name keeps its default.

    Raises UsageError for a file that cannot be read, an unknown name or a value of the wrong kind.
    """
    try:
        with path.open("rb") as file:
            text = file.read(_LONGEST_FILE + 1)
        _check(
            len(text) <= _LONGEST_FILE,
            f"settings file {path}: it is too large for settings",
            "see that it is the file you mean",
        )
        data = tomllib.loads(text.decode("utf-8").replace("\r\n", "\n"))
    except OSError as error:
        raise UsageError(
            f"settings file {path}: {error.strerror}", advice="name a file that is there and may be read"
        ) from error
    except (ValueError, RecursionError) as error:  # besides TOML's own: numbers too long, lists too deep
        raise UsageError(
            f"settings file {path}: {error}", advice="`miner status --settings` prints a valid one"
        ) from error
    return settings_of(data, f"settings file {path}")


def settings_of(tables: Mapping[str, Any], where: str = "settings") -> Settings:
    """Settings from plain values, one table per stage; `where` begins the messages.

    Raises UsageError for an unknown name or a value of the wrong kind.
    """
    stages = {one.name: one.default_factory for one in dataclasses.fields(Settings)}
    for table in tables:
        _check(table in stages, f"{where}: no table is called {table}", f"the tables are {', '.join(stages)}")
    return Settings(
        **{
            stage: _stage_from(kind, tables.get(stage, {}), f"{where}, [{stage}]")
            for stage, kind in stages.items()
        }
    )


def _stage_from(kind: Any, values: Any, where: str) -> Any:
    defaults = kind()
    _check(
        isinstance(values, dict),
        f"{where} is not a table",
        "write [read], [tally], [judge], [follow], [rank] or [steer]",
    )
    known = {one.name for one in dataclasses.fields(defaults)}
    given: dict[str, Any] = {}
    for name, value in values.items():
        _check(
            name in known,
            f"{where}: no setting is called {name}",
            f"the settings are {', '.join(sorted(known))}",
        )
        given[name] = _like(getattr(defaults, name), value, f"{where}, {name}")
    try:
        return dataclasses.replace(defaults, **given)
    except UsageError as error:
        raise UsageError(f"{where}: {error.what}", advice=error.advice) from error


_IN_WORDS = {int: "whole number", float: "number", str: "text"}


def _like(default: Any, value: Any, where: str) -> Any:
    if isinstance(default, tuple):
        _check(isinstance(value, list), f"{where}: {value!r} is not a list", "write [ ... ]")
        kind = type(default[0]) if default else str
        return tuple(_like(kind(), one, where) for one in value)
    if isinstance(default, float) and isinstance(value, int) and not isinstance(value, bool):
        _check(abs(value) <= sys.float_info.max, f"{where}: the number is too large", "give a smaller one")
        return float(value)
    _check(
        type(value) is type(default),
        f"{where}: {value!r} is no {_IN_WORDS[type(default)]}",
        "see `miner status --settings`",
    )
    return value


def to_toml(settings: Settings) -> str:
    """All settings as TOML that `load_settings` reads back to the same."""
    lines: list[str] = []
    for stage in dataclasses.fields(settings):
        lines.append(f"[{stage.name}]")
        lines += [
            f"{name} = {_toml_value(value)}" for name, value in as_dict(getattr(settings, stage.name)).items()
        ]
        lines.append("")
    return "\n".join(lines)


def _toml_value(value: Any) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(_toml_value(one) for one in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # JSON's short escapes are TOML's, too; but beyond ASCII TOML has no surrogate pairs.
        text = json.dumps(value, ensure_ascii=False)
        return re.sub(r"[^ -~]", lambda found: f"\\U{ord(found[0]):08x}", text)
    return repr(value)


def _check(fine: bool, what: str, advice: str) -> None:
    if not fine:
        raise UsageError(what, advice=advice)


def _check_choice(name: str, value: str, choices: tuple[str, ...]) -> None:
    _check(value in choices, f"{name} {value!r} is unknown", f"choose one of {', '.join(choices)}")


def _check_share(name: str, value: float) -> None:
    _check(0.0 <= value <= 1.0, f"{name} {value} is not a share", "give a number from 0 to 1")


def _check_confidence(value: float) -> None:
    _check(
        0.0 < value < 1.0,
        f"confidence {value} gives no interval",
        "give a number between 0 and 1, such as 0.9",
    )
