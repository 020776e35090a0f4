"""The options that several commands share, and how settings and means are taken from the command line."""

from __future__ import annotations

import dataclasses
import inspect
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Annotated, Any, get_args, get_origin, get_type_hints

import typer

from miner.bars import Bars
from miner.cluster import connected
from miner.engine.identity import find_engine
from miner.errors import UsageError
from miner.means import USUAL, Means
from miner.settings import Option, Settings, Taught, load_settings, settings_in
from miner.store.claim import without_locks

_SOURCES = (
    "PGN files (.pgn, also .gz .bz2 .zst .xz .zip), folders, patterns such as 'games/*.pgn', "
    "or - for standard input."
)
Sources = Annotated[list[str], typer.Argument(metavar="SOURCE", help=_SOURCES)]
SourcesIfNew = Annotated[
    list[str] | None,
    typer.Argument(metavar="SOURCE", help=f"{_SOURCES} Without any, the games that are in the store."),
]
StoreDir = Annotated[
    str,
    typer.Option(
        "--store",
        metavar="DIR",
        envvar="MINER_STORE",
        help="Folder in which everything is kept, or a URL such as s3://bucket/club (extra `remote`).",
    ),
]
SettingsFile = Annotated[
    Path | None,
    typer.Option(
        "--settings",
        metavar="FILE",
        help="TOML file with settings; options given here come before it. "
        "`miner status --settings` prints one to start from.",
    ),
]
GroupName = Annotated[
    str,
    typer.Option(
        "--group",
        metavar="NAME",
        help="Take band, side, language, paper and minutes from the table [group.NAME] of --settings, or of "
        "miner.toml in this folder; options given here come before it.",
    ),
]
TaughtFile = Annotated[
    str | None,
    typer.Option(
        "--taught", metavar="FILE", help="The table of what was taught (default: taught.csv in the store)."
    ),
]
NoLock = Annotated[
    bool,
    typer.Option(
        "--no-lock",
        help="Go on where a store's place knows no locks, as some shares: be alone at work there.",
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="JSON for other programs, on the standard output.")]
Verbose = Annotated[bool, typer.Option("--verbose", help="Tell every step, and show where an error arose.")]


def day(flag: str, **more: Any) -> Any:
    """An option that takes a day, such as 2025-09-15."""
    return typer.Option(flag, metavar="DATE", parser=partial(_parsed, flag, "%Y-%m-%d"), **more)


def time_of_day(flag: str, **more: Any) -> Any:
    """An option that takes a time, such as 17:30."""
    return typer.Option(flag, metavar="TIME", parser=partial(_parsed, flag, "%H:%M"), **more)


_FORMS = {"%Y-%m-%d": ("date", "2025-09-15"), "%H:%M": ("time of day", "17:30")}


def _parsed(flag: str, form: str, text: str | datetime) -> datetime:
    if isinstance(text, datetime):
        return text
    what, example = _FORMS[form]
    try:
        return datetime.strptime(text, form)
    except ValueError as error:
        raise UsageError(f"{flag} {text!r} is no {what}", advice=f"write it as {example}") from error


_STAGES: dict[str, Any] = {field.name: field.default_factory for field in dataclasses.fields(Settings)}
ENGINES = ("engine", "engines", "cache")
ALL_MEANS = (*ENGINES, "memory_mb", "reader", "processes", "cluster")


@dataclass(frozen=True, slots=True)
class SettingOf:
    """Marks a parameter of a command that is given as a stage's setting is, though it is none here."""

    stage: str
    setting: str


SideOption = Annotated[Taught | None, SettingOf("rank", "side")]
Missed = Annotated[
    bool,
    typer.Option(
        "--missed", help="Missed chances: replies that give as much away, but leave nobody clearly worse."
    ),
]
Bands = Annotated[list[str] | None, SettingOf("rank", "bands")]
Since = Annotated[str | None, SettingOf("read", "since")]

GivenMeans = Callable[..., AbstractContextManager[Means]]
"""Means that are ready within the context, as `ready` makes them."""


@dataclass(frozen=True, slots=True)
class SettingsOf:
    """Marks the parameter of a command that takes settings: those of some stages are options of it."""

    stages: tuple[str, ...]

    def parameters(self) -> dict[str, tuple[Any, Any]]:
        """Type and default of each option, by the name of its parameter."""
        options = {
            name: (option_of(_STAGES[stage], setting), None)
            for (stage, setting), name in self._parameter_names().items()
        }
        return {"settings_file": (SettingsFile, None)} | options

    def _parameter_names(self) -> dict[tuple[str, str], str]:
        """The parameter that each stage's setting is given by, if it is an option.

        What several stages are told by one flag is one option: that of the last of them.
        """
        flags = {
            (stage, setting): flag
            for stage in self.stages
            for setting in settings_in(_STAGES[stage])
            if (flag := flag_of(_STAGES[stage], setting))
        }
        last = {flag: f"{stage}_{setting}" for (stage, setting), flag in flags.items()}
        return {of: last[flag] for of, flag in flags.items()}

    def take(self, values: dict[str, Any]) -> Settings:
        """The settings of the file or the defaults, with the options that were given laid over them."""
        file = values["settings_file"]
        settings = load_settings(file) if file else Settings()
        names = self._parameter_names()
        for stage in self.stages:
            given = {
                setting: _value_of(kind, setting, value)
                for setting, (kind, _) in settings_in(_STAGES[stage]).items()
                if (value := values.get(names.get((stage, setting), ""))) not in (None, [])
            }
            changed = dataclasses.replace(getattr(settings, stage), **given)
            settings = dataclasses.replace(settings, **{stage: changed})
        return settings


@dataclass(frozen=True, slots=True)
class MeansOf:
    """Marks the parameter of a command that takes means: these fields of `Means` are options of it."""

    names: tuple[str, ...]

    def parameters(self) -> dict[str, tuple[Any, Any]]:
        """Type and default of each option, by the name of its parameter."""
        return {name: (option_of(Means, name), getattr(USUAL, name)) for name in self.names}

    def take(self, values: dict[str, Any]) -> GivenMeans:
        """The means that were given."""
        return partial(ready, {name: values[name] for name in self.names})


def option_of(kind: Any, name: str) -> Any:
    """A field of a dataclass as the type that Typer takes; None if it is no option."""
    hint, notes = settings_in(kind)[name]
    for option in notes:
        if isinstance(option, Option):
            flag = flag_of(kind, name)
            given = typer.Option(flag, metavar=option.metavar, help=option.help, min=option.least)
            return Annotated[option.given_as or _given_as(hint) | None, given]
    return None


def flag_of(kind: Any, name: str) -> str:
    """The flag by which a field of a dataclass is given, e.g. `--min-players`; empty if it is no option."""
    _, notes = settings_in(kind)[name]
    names = [option.name or name.replace("_", "-") for option in notes if isinstance(option, Option)]
    return f"--{names[0]}" if names else ""


def _given_as(hint: Any) -> Any:
    """A list of numbers is given as one word with commas, one of words by an option that is given again."""
    if get_origin(hint) is not tuple:
        return hint
    return str if get_args(hint)[0] in (int, float) else list[str]


def _value_of(hint: Any, setting: str, given: Any) -> Any:
    if isinstance(given, list):
        return tuple(given)
    if get_origin(hint) is tuple:
        return numbers(f"--{setting.replace('_', '-')}", given, get_args(hint)[0])
    return given


def numbers(name: str, text: str, kind: Callable[[str], Any] = int) -> tuple[Any, ...]:
    """The numbers of a list such as 800,1000, of the `kind` that is asked for.

    Raises UsageError for anything else.
    """
    try:
        return tuple(kind(part.replace("_", "")) for part in text.split(","))
    except ValueError as error:
        raise UsageError(
            f"{name} {text!r} is no list of numbers", advice="write them with commas, e.g. 800,1000,1200"
        ) from error


@contextmanager
def ready(given: dict[str, Any], *, find: bool = True) -> Iterator[Means]:
    """Means with a connected cluster, if one was given, and with the engine found.

    `find` False: only an engine that was given is looked for.
    Raises UsageError if an option that is for this machine alone is given with a cluster, EngineNotFound, and
    what `miner.cluster.connected` does.
    """
    address, engine = given.get("cluster"), given.get("engine")
    for name in ("engines", "processes"):
        if address and given.get(name) is not None:
            raise UsageError(
                f"--{name} is for this machine and --cluster for others",
                advice="leave one of them out; how much a worker does at once is said when it is started",
            )
    with connected(address) if address is not None else nullcontext() as cluster:
        program = find_engine(engine) if engine or (find and "engine" in given) else None
        yield Means(**given | {"cluster": cluster, "engine": program, "progress": Bars()})


def as_command(function: Callable[..., None]) -> Callable[..., None]:
    """The function as Typer takes it: with options for settings and means, --no-lock and --verbose."""
    hints = get_type_hints(function, include_extras=True)
    own = inspect.signature(function).parameters
    marks: dict[str, SettingsOf | MeansOf] = {}
    options: dict[str, tuple[Any, Any]] = {}
    for name, parameter in own.items():
        match getattr(hints[name], "__metadata__", ()):
            case [SettingsOf() | MeansOf() as mark]:
                marks[name] = mark
                options |= mark.parameters()
            case [SettingOf() as like]:
                options[name] = option_of(_STAGES[like.stage], like.setting), parameter.default
            case _ if name not in options:
                options[name] = hints[name], parameter.default
    options["no_lock"] = (NoLock, False)
    options["verbose"] = (Verbose, False)  # seen by `main`

    def command(**values: Any) -> None:
        with without_locks() if values["no_lock"] else nullcontext():
            function(**{name: marks[name].take(values) if name in marks else values[name] for name in own})

    command.__doc__ = function.__doc__
    command.__annotations__ = {name: kind for name, (kind, _) in options.items()}
    command.__signature__ = inspect.Signature(  # type: ignore[attr-defined]
        [
            inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=kind)
            for name, (kind, default) in options.items()
        ]
    )
    return command
