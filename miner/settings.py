"""One frozen dataclass per stage: what can change a result, and nothing else. TOML in and out.

A setting whose type is annotated with an `Option` is one of the commands that run its stage, too.
"""

from __future__ import annotations

import dataclasses
import json
import math
import re
import sys
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin, get_type_hints

from miner.errors import UsageError
from miner.terms import BandScheme

_LONGEST_FILE = 1 << 20  # bytes; all settings in full take some 2,000

Names = Literal["hash", "keep", "drop"]
TimeClass = Literal["bullet", "blitz", "rapid", "classical", "correspondence", "unknown"]
GameResult = Literal["1-0", "0-1", "1/2-1/2"]
Rated = Literal["any", "rated", "casual"]
Taught = Literal["white", "black", "both"]
DEFAULT_EDGES = (800, 1000, 1200, 1400, 1600, 1800, 2000, 2200, 2400)


@dataclass(frozen=True, slots=True)
class Option:
    """How a setting, or one of the means, is given on the command line."""

    help: str
    name: str = ""  # empty: the setting's own
    metavar: str | None = None
    least: int | None = None
    given_as: type[Any] | None = None  # None: by the setting's type


def _at_least(least: int, advice: str) -> Callable[[str, int], None]:
    def check(name: str, value: int) -> None:
        _require(value >= least, f"{name} {value} is below {least}", advice)

    return check


def _is_share(name: str, value: float) -> None:
    _require(0.0 <= value <= 1.0, f"{name} {value} is not a share", "give a number from 0 to 1")


def _gives_interval(name: str, value: float) -> None:
    advice = "give a number between 0 and 1, such as 0.9"
    _require(0.0 < value < 1.0, f"{name} {value} gives no interval", advice)


def _is_date(name: str, value: str) -> None:
    fine = re.fullmatch(r"([0-9]{4}(\.[0-9]{2}){0,2})?", value)
    _require(bool(fine), f"{name} {value!r} is no date", "write 2024, 2024.09 or 2024.09.15")


Share = Annotated[float, _is_share]
Confidence = Annotated[float, _gives_interval]
Date = Annotated[str, _is_date]  # YYYY or YYYY.MM or YYYY.MM.DD; empty: any
FromZero = Annotated[int, _at_least(0, "give 0 or more")]
FromOne = Annotated[int, _at_least(1, "give 1 or more")]
Support = Annotated[int, _at_least(0, "give 0 for what suits the data")]  # games; 0: grows with the data


@cache
def settings_in(kind: Any) -> dict[str, tuple[Any, tuple[Any, ...]]]:
    """The fields of a dataclass by name: the type of each, and what it is annotated with."""
    hints = get_type_hints(kind, include_extras=True)
    noted = {field.name: hints[field.name] for field in dataclasses.fields(kind)}
    return {
        name: (hint.__origin__, hint.__metadata__) if get_origin(hint) is Annotated else (hint, ())
        for name, hint in noted.items()
    }


class _Checked:
    """Settings that are held against their types, and against each other, when they are made."""

    __slots__ = ()

    def __post_init__(self) -> None:
        stage: Any = type(self)
        for name, (kind, notes) in settings_in(stage).items():
            value = getattr(self, name)
            words, chosen = (get_args(kind)[0], value) if get_origin(kind) is tuple else (kind, (value,))
            if get_origin(words) is Literal:
                advice = f"choose one of {', '.join(filter(None, get_args(words)))}"
                for word in chosen:
                    _require(word in get_args(words), f"{name} {word!r} is unknown", advice)
            for note in notes:
                if not isinstance(note, Option):
                    note(name, value)
        self._check()

    def _check(self) -> None:
        """Raise UsageError for values that cannot be, or cannot be together."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadSettings(_Checked):
    """Which games are read, how far, and what becomes of the players' names.

    Empty lists and dates, and ratings of 0, let all games pass; with others, games without a rating do not.
    """

    plies: Annotated[int, Option("Half-moves of each game that are kept (default 30).")] = 30
    names: Annotated[
        Names,
        Option(
            "What to keep of players' names: hash (default), keep or drop. No list shows a name either way."
        ),
    ] = "hash"
    since: Annotated[
        Date, Option("Only games from this date on, e.g. 2024 or 2024.09.15.", metavar="DATE")
    ] = ""
    until: Annotated[Date, Option("Only games up to this date.", metavar="DATE")] = ""
    events: Annotated[  # any of which must occur, in upper or lower case
        tuple[str, ...],
        Option("Only games whose event contains this. May be given again.", "event", metavar="TEXT"),
    ] = ()
    time_classes: Annotated[
        tuple[TimeClass, ...],
        Option(
            "Only bullet, blitz, rapid, classical, correspondence or unknown. May be given again.",
            "time-class",
        ),
    ] = ()
    results: Annotated[
        tuple[GameResult, ...], Option("Only 1-0, 0-1 or 1/2-1/2. May be given again.", "result")
    ] = ()
    rated: Annotated[Rated, Option("Rated or casual games only, by the event's name.")] = "any"
    min_rating: Annotated[int, Option("Only games in which both players have this rating or more.")] = 0
    max_rating: Annotated[int, Option("Only games in which both players have this rating or less.")] = 0

    def _check(self) -> None:
        _require(1 <= self.plies <= 255, f"plies {self.plies} is out of range", "keep 1 to 255 plies")
        _require(
            not self.max_rating or self.min_rating <= self.max_rating,
            f"no rating lies between {self.min_rating} and {self.max_rating}",
            "write the lower rating as min_rating",
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class TallySettings(_Checked):
    """How replies are counted."""

    band_edges: Annotated[
        tuple[int, ...],
        Option(
            "Where rating bands begin, e.g. 800,1000,1200 (default: 800 to 2400 in steps of 200).",
            metavar="RATINGS",
        ),
    ] = DEFAULT_EDGES
    min_games: Annotated[
        Support,
        Option(
            "Games through a position from which it is tallied (default: 5; more in databases of "
            "160,000 games or more).",
            "min-games-at-position",
        ),
    ] = 0
    confidence: Confidence = 0.9  # of the intervals of pick rates and points
    prior: Annotated[
        str,
        Option(
            "Store of a larger database without these games, of the same rating bands: its games tell, too, "
            "what is chosen, punished and scored where these are likely to lead; these, how often they do. "
            "Run or tally it with --min-games-at-position 1, or 1 for each 10,000 of its games: of positions "
            "with fewer it says nothing.",
            metavar="DIR",
        ),
    ] = ""
    repertoire: Annotated[
        str,
        Option(
            "With --prior: PGN of what is played, which counts though these games have not led there yet.",
            metavar="FILE",
        ),
    ] = ""

    def _check(self) -> None:
        BandScheme(self.band_edges)

    @property
    def bands(self) -> BandScheme:
        """The bands that the edges make."""
        return BandScheme(self.band_edges)

    def enough_games(self, games: int) -> int:
        """Games through a position, all bands together, from which a store of so many `games` tells of it.

        5, from 160,000 games on 10, and twice as many for every fourfold of that: 20 of 1.5 million, 160 of a
        month's 90 million. It goes up by leaps, so that an addition rarely changes it.
        """
        leaps = max(0, ((games // 160_000).bit_length() - 1) // 2)
        return self.min_games or (10 << leaps if games >= 160_000 else 5)


@dataclass(frozen=True, kw_only=True, slots=True)
class JudgeSettings(_Checked):
    """Which replies are judged, and how deep; part of the verdicts' cache key."""

    min_games: Annotated[
        Support,
        Option(
            "Games with a reply, a band and those beside it together, below which it is not judged (default: "
            "3, more in databases of 120,000 games or more). In a large database a small number needs "
            "--min-games-at-position, too."
        ),
    ] = 0
    min_players: Annotated[
        int,
        _at_least(0, "give 0 for any number"),
        Option("Different players among them, at least (default 3)."),
    ] = 3  # where players are known
    nodes_in_all: Annotated[
        FromZero,
        Option(
            "Nodes that judging may take in all: what could be worth most is judged first, the rest is left "
            "(default 750,000,000, some ten minutes on two cores; 0: no limit)."
        ),
    ] = 750_000_000
    nodes: Annotated[
        tuple[int, ...],
        Option(
            "Nodes per search, from the first look to the last, at least two, rising (default "
            "20000,100000,400000,1000000). Smaller numbers are quicker and less sure.",
            metavar="N,N,...",
        ),
    ] = (20_000, 100_000, 400_000, 1_000_000)
    keep: tuple[float, ...] = (0.6, 0.7, 1.0)  # share of the threshold that must be lost to go one stage on
    loss_threshold: Share = 0.10  # expected score
    tempo_threshold: Share = 0.05  # the same for a tempo lost by force
    well_left: Share = 0.45  # expected score of a reply beyond which it is a missed chance at the most
    keep_missed: float = 2.0  # share of the threshold that such a reply must lose at the first look
    hash_mb: Annotated[int, _at_least(1, "give each engine 1 MiB or more")] = 16

    def _check(self) -> None:
        _require(self.keep_missed > 0.0, f"keep_missed is {self.keep_missed}", "give a number above 0")
        _require(
            list(self.nodes) == sorted(set(self.nodes)) and len(self.nodes) >= 2 and self.nodes[0] > 0,
            f"nodes {', '.join(map(str, self.nodes))} do not rise",
            "list at least two budgets, the smallest first",
        )
        _require(len(self.keep) >= 1, "keep is empty", "give a share of the threshold for each stage")
        for share in self.keep:
            _is_share("keep", share)

    @property
    def defence_nodes(self) -> int:
        """Nodes for each of the other defences, which are many: half of the last budget but two."""
        return max(self.nodes[0], self.nodes[max(0, len(self.nodes) - 3)] // 2)

    def must_lose(self, *, tempo: bool) -> float:
        """Expected score that a reply must lose: less where it loses a tempo."""
        return min(self.tempo_threshold, self.loss_threshold) if tempo else self.loss_threshold

    def keeps_from(self, stage: int) -> float:
        """Share of the threshold that a reply must lose at a stage (from 0) to go on."""
        return self.keep[min(stage, len(self.keep) - 1)]

    def enough_games(self, games: int) -> int:
        """Games with a reply from which it is judged, where the store holds so many `games`.

        The hundredth part of the games' root, and 3 at least: 3 of a club's, 12 of 1.5 million, 95 of a
        month's 90 million. The budget decides how many are judged; this only keeps out what can hardly be
        told from chance.
        """
        return self.min_games or max(3, round(math.sqrt(games) / 100))


@dataclass(frozen=True, kw_only=True, slots=True)
class ScanSettings(_Checked):
    """Which games are scanned for mistakes, whether their positions recur or not, and how deep."""

    games: Annotated[
        FromZero,
        Option(
            "Games that are scanned for mistakes, spread over the rating bands (default 3,000, ten to 25 "
            "minutes on two quiet cores, by their speed; 0: all)."
        ),
    ] = 3_000
    # Per search: of every position, of what may be a mistake, and of what is told of one.
    nodes: tuple[int, ...] = (2_000, 10_000, 30_000)
    first_ply: FromZero = 4  # before it hardly anything is lost
    screen: Share = 0.13  # expected score given away at the first look, to be looked at again
    screen_score: Share = 0.45  # that the first look leaves at the most, likewise
    loss_threshold: Share = 0.15  # given away by a mistake
    mistake_score: Share = 0.42  # that a mistake leaves its player at the most
    doubt: Share = 0.05  # expected score that the second budget's verdict may be off
    kept: Share = 0.75  # of the gain that an answer keeps at least
    answers: FromOne = 3  # moves that are sought from the best down
    # To clear 16 MiB before each search takes a fifth of the time of one of 2,000 nodes.
    hash_mb: Annotated[int, _at_least(1, "give each engine 1 MiB or more")] = 4

    def _check(self) -> None:
        _require(
            len(self.nodes) == 3 and 0 < self.nodes[0] < self.nodes[1] < self.nodes[2],
            f"nodes {', '.join(map(str, self.nodes))} are not three budgets that rise",
            "give the nodes for every position, for what may be a mistake, and for what is told of one",
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class FollowSettings(_Checked):
    """How the games after a losing reply are followed."""

    nodes: FromOne = 200_000  # per search of a later position; right after the reply as the verdict
    kept: Share = 0.75  # of the gain that a good answer keeps at least
    moves: FromOne = 12  # moves of the side that profits that are followed
    min_games: FromOne = 5  # games through a later position from which it is told
    most_games: FromZero = (
        400  # games with one losing reply that are read whole, the strongest players' first
    )
    models: FromZero = 3  # model games per losing reply
    model_nodes: FromOne = 20_000  # per move of a model game
    lasting_games: FromZero = 60  # with the reply, and as many with another move, looked at nine plies later
    lasting_nodes: FromOne = 5_000  # per position then
    season_starts: int = 8  # month (1 to 12) in which a season begins

    def _check(self) -> None:
        _require(1 <= self.season_starts <= 12, f"there is no month {self.season_starts}", "give 1 to 12")


@dataclass(frozen=True, kw_only=True, slots=True)
class RankSettings(_Checked):
    """Which losing replies become findings, and in whose interest."""

    side: Annotated[Taught, Option("The side that is taught (default: both).")] = "both"
    bands: Annotated[
        tuple[str, ...], Option("Only this rating band, e.g. 1000-1199. May be given again.", "band")
    ] = ()  # all
    loss_threshold: Share = 0.10
    tempo_threshold: Share = 0.05
    mistake_score: Annotated[
        Share,
        Option(
            "Expected score that a mistake leaves its player at the most (default 0.42, about -0.56 pawns)."
        ),
    ] = 0.42  # but for mate, two pawns or a tempo lost by force
    # The score must be lower by it, since a longer search may shift it; the loss, seen by two, by half of it.
    sure_by: Share = 0.02
    hold_share: Share = 0.5  # of its threshold that a finding must have lost at the budget before, too
    soundness: Annotated[
        Share,
        Option("Expected score that a move of ours may lose on the way to a trap (default 0.05)."),
    ] = 0.05
    repertoire: Annotated[
        str,
        Option(
            "PGN of what --side plays, with variations: only positions that arise in it count.",
            metavar="FILE",
        ),
    ] = ""

    def _check(self) -> None:
        _require(
            not self.repertoire or self.side != "both",
            "a repertoire is one side's",
            "say whose it is: side white or black",
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class SteerSettings(_Checked):
    """How our moves against a band are compared. Not a stage: it leaves no table."""

    soundness: Annotated[
        Share, Option("Expected score, 0 to 1, that a move of ours may lose to the best (default 0.05).")
    ] = 0.05
    plies: Annotated[  # from the first position on; what lies deeper is the engine's verdict
        FromOne, Option("How deep the tree may grow (default 20 half-moves).")
    ] = 20
    min_reach: Share = 1 / 300  # of games in which a branch arises, below which it is a leaf
    min_games: FromOne = 5  # games, all bands together, from which a move of ours is worth a look
    nodes: Annotated[FromOne, Option("Nodes per search of what was not judged (default 100000).")] = 100_000
    hash_mb: FromOne = 16
    losing: Share = 0.10  # expected score that a reply loses, to be told as a trap
    popular: Share = 0.15  # of the band that choose a reply, to be told as taken away
    strong_rating: FromOne = 2000  # players from here on are the strong ones that the band is compared with
    draws: int = 300  # from what the pick rates and the curve may be as well, for the intervals
    confidence: Confidence = 0.9

    def _check(self) -> None:
        _require(self.min_reach > 0.0, "min_reach 0 has no end", "give a share such as 0.003")
        _require(self.draws >= 20, f"draws {self.draws} are too few for an interval", "give 20 or more")


@dataclass(frozen=True, kw_only=True, slots=True)
class Settings:
    """The settings of all stages."""

    read: ReadSettings = field(default_factory=ReadSettings)
    tally: TallySettings = field(default_factory=TallySettings)
    judge: JudgeSettings = field(default_factory=JudgeSettings)
    scan: ScanSettings = field(default_factory=ScanSettings)
    follow: FollowSettings = field(default_factory=FollowSettings)
    rank: RankSettings = field(default_factory=RankSettings)
    steer: SteerSettings = field(default_factory=SteerSettings)


@dataclass(frozen=True, kw_only=True, slots=True)
class GroupSettings(_Checked):
    """What a coach asks for whenever a sheet, a plan or pages are made for one group; empty: the usual."""

    band: tuple[str, ...] = ()
    side: Literal["", "white", "black", "both"] = ""
    language: str = ""
    paper: Literal["", "a4", "letter"] = ""
    minutes: FromZero = 0  # of a session; 0: the usual


def with_effort(settings: Settings, effort: float) -> Settings:
    """The settings with so many times the nodes of judging and the games of scanning; 0 of either stays 0.

    Raises UsageError unless the effort is more than 0.
    """
    _require(0.0 < effort < math.inf, f"effort {effort} is none", "give more than 0, such as 0.2 or 5")
    judge, scan = settings.judge, settings.scan
    nodes, games = (max(round(effort * value), min(value, 1)) for value in (judge.nodes_in_all, scan.games))
    return dataclasses.replace(
        settings,
        judge=dataclasses.replace(judge, nodes_in_all=nodes),
        scan=dataclasses.replace(scan, games=games),
    )


def as_dict(settings: Any) -> dict[str, Any]:
    """A settings object as plain values, tuples as lists, ready for JSON."""
    return {
        name: list(value) if isinstance(value, tuple) else value
        for name, value in dataclasses.asdict(settings).items()
    }


def changed_settings(stage: str, settings: Mapping[str, Any]) -> str:
    """Those settings of a stage that are not the defaults, as a list; empty if all are."""
    defaults = as_dict(getattr(Settings(), stage))
    changed = {name: value for name, value in settings.items() if defaults.get(name) != value}
    return ", ".join(f"{name} = {value}" for name, value in changed.items())


def load_settings(path: Path) -> Settings:
    """Settings from a TOML file with one table per stage; what it does not name keeps its default.

    Raises UsageError for a file that cannot be read, an unknown name or a value of the wrong kind.
    """
    return settings_of(_tables_in(path), f"settings file {path}")


GROUPS_FILE = "miner.toml"
"""The settings file, in the folder where the command is given, that groups are looked for in."""


def load_group(name: str, path: Path | None = None) -> GroupSettings:
    """The table [group.NAME] of a settings file, or of `miner.toml` here; the usual without a name.

    Raises UsageError for a file that cannot be read, a group that it does not have, or a wrong value.
    """
    if not name:
        return GroupSettings()
    file = path or Path(GROUPS_FILE)
    where, advice = f"settings file {file}", f"write a table [group.{name}] into it"
    groups = _tables_in(file).get("group", {})
    _require(isinstance(groups, dict), f"{where}: group is not a table", advice)
    listed = f"its groups are {', '.join(groups)}" if groups else advice
    _require(name in groups, f"{where}: no group is called {name}", listed)
    values, where = groups[name], f"{where}, [group.{name}]"
    _require(isinstance(values, dict), f"{where} is not a table", advice)
    bands = values.get("band", [])
    made: GroupSettings = _made(
        GroupSettings, values | {"band": [bands] if isinstance(bands, str) else bands}, where
    )
    return made


def _tables_in(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            text = file.read(_LONGEST_FILE + 1)
        what = f"settings file {path}: it is too large for settings"
        _require(len(text) <= _LONGEST_FILE, what, "see that it is the file you mean")
        return tomllib.loads(text.decode("utf-8").replace("\r\n", "\n"))
    except OSError as error:
        raise UsageError(
            f"settings file {path}: {error.strerror}", advice="name a file that is there and may be read"
        ) from error
    except (ValueError, RecursionError) as error:  # besides TOML's own: numbers too long, lists too deep
        raise UsageError(
            f"settings file {path}: {error}", advice="`miner status --settings` prints a valid one"
        ) from error


def settings_of(tables: Mapping[str, Any], where: str = "settings") -> Settings:
    """Settings from plain values, one table per stage; `where` begins the messages.

    Raises UsageError for an unknown name or a value of the wrong kind.
    """
    stages: dict[str, Any] = {field.name: field.default_factory for field in dataclasses.fields(Settings)}
    for table in tables:
        advice = f"the tables are {', '.join(stages)}"
        _require(table in (*stages, "group"), f"{where}: no table is called {table}", advice)
    made = {
        name: _stage_from(kind, tables.get(name, {}), f"{where}, [{name}]") for name, kind in stages.items()
    }
    return Settings(**made)


def _stage_from(kind: Any, values: Any, where: str) -> Any:
    advice = "write [read], [tally], [judge], [scan], [follow], [rank] or [steer]"
    _require(isinstance(values, dict), f"{where} is not a table", advice)
    return _made(kind, values, where)


def _made(kind: Any, values: Mapping[str, Any], where: str) -> Any:
    known, advice = settings_in(kind), f"the settings are {', '.join(sorted(settings_in(kind)))}"
    for name in values:
        _require(name in known, f"{where}: no setting is called {name}", advice)
    defaults = kind()
    given = {
        name: _like(getattr(defaults, name), value, f"{where}, {name}") for name, value in values.items()
    }
    try:
        return kind(**given)
    except UsageError as error:
        raise UsageError(f"{where}: {error.what}", advice=error.advice) from error


_IN_WORDS = {int: "whole number", float: "number", str: "text"}


def _like(default: Any, value: Any, where: str) -> Any:
    if isinstance(default, tuple):
        _require(isinstance(value, list), f"{where}: {value!r} is not a list", "write [ ... ]")
        kind = type(default[0]) if default else str
        return tuple(_like(kind(), item, where) for item in value)
    if isinstance(default, float) and isinstance(value, int) and not isinstance(value, bool):
        _require(abs(value) <= sys.float_info.max, f"{where}: the number is too large", "give a smaller one")
        return float(value)
    _require(
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
        return "[" + ", ".join(_toml_value(item) for item in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # JSON's short escapes are TOML's, too; but beyond ASCII TOML has no surrogate pairs.
        text = json.dumps(value, ensure_ascii=False)
        return re.sub(r"[^ -~]", lambda found: f"\\U{ord(found[0]):08x}", text)
    return repr(value)


def _require(fine: bool, what: str, advice: str) -> None:
    if not fine:
        raise UsageError(what, advice=advice)
