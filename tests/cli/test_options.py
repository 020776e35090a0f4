"""Options over the settings file over the defaults; where the cache is."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, get_args

import pytest

from miner.cli import options
from miner.errors import UsageError
from miner.means import Means
from miner.settings import JudgeSettings, Option, RankSettings, ReadSettings, Settings, load_settings
from tests.cli.conftest import QUICK, Told

Miner = Callable[..., Told]


def manifest_settings(store: Path, stage: str) -> dict[str, Any]:
    settings: dict[str, Any] = json.loads((store / f"{stage}.json").read_text(encoding="utf-8"))["settings"]
    return settings


def taken(file: Path | None, **given: Any) -> Settings:
    """The settings that a command with the options of all stages takes."""
    stages = ("read", "tally", "judge", "follow", "rank", "steer")
    return options.SettingsOf(stages).take({"settings_file": file, **given})


def test_options_over_file_over_defaults(miner: Miner, games: Path, tmp_path: Path) -> None:
    """What is given on the command line wins, then the file, then the default."""
    file = tmp_path / "club.toml"
    file.write_text("[read]\nplies = 12\nnames = 'drop'\n", encoding="utf-8")

    told = miner("read", games, "--store", tmp_path / "store", "--settings", file, "--plies", "8")

    settings = manifest_settings(tmp_path / "store", "read")
    assert told.code == 0
    assert (settings["plies"], settings["names"], settings["rated"]) == (8, "drop", "any")


def test_lists_replace_those_of_the_file(tmp_path: Path) -> None:
    """An option that may be given again replaces the file's list; without it the file's stands."""
    file = tmp_path / "club.toml"
    file.write_text("[read]\nevents = ['Open']\nresults = ['1-0']\n", encoding="utf-8")

    settings = taken(file, read_events=["Cup", "League"], read_results=None, read_plies=None)

    assert settings == Settings(read=ReadSettings(events=("Cup", "League"), results=("1-0",)))


def test_nothing_given_is_the_default() -> None:
    """No option and no file make the default settings."""
    assert taken(None, read_plies=None, rank_bands=[], rank_side=None) == Settings()


def test_zero_is_a_value() -> None:
    """`--nodes-in-all 0` is heard."""
    settings = taken(None, judge_nodes_in_all=0, judge_min_players=0)

    assert settings.judge == JudgeSettings(nodes_in_all=0, min_players=0)


def test_bands_of_another_tally_are_no_contradiction() -> None:
    """To rank by a band of the store's own needs no word about the edges it was tallied with."""
    settings = taken(None, rank_bands=["1000-1499"])

    assert settings.rank == RankSettings(bands=("1000-1499",))


def test_one_flag_tells_all_stages_that_have_it() -> None:
    """A repertoire is given once, to the tally and to the list."""
    command = options.SettingsOf(("tally", "rank"))

    settings = command.take({"settings_file": None, "rank_repertoire": "ours.pgn", "rank_side": "white"})

    assert (settings.tally.repertoire, settings.rank.repertoire) == ("ours.pgn", "ours.pgn")
    assert [name for name in command.parameters() if name.endswith("repertoire")] == ["rank_repertoire"]


def test_new_setting_becomes_an_option() -> None:
    """A setting that says how it is given is an option without a word about it in the command line."""

    @dataclass(frozen=True)
    class Newer(ReadSettings):
        odd_plies: Annotated[bool, Option("Only odd plies.", metavar="YES")] = False
        silent: int = 1

    assert get_args(options.option_of(Newer, "odd_plies"))[1].help == "Only odd plies."
    assert options.option_of(Newer, "silent") is None


@pytest.mark.parametrize(
    ("text", "expected"),
    [("800", (800,)), ("800, 1000", (800, 1000)), ("100_000,400_000", (100_000, 400_000))],
)
def test_lists_of_numbers(text: str, expected: tuple[int, ...]) -> None:
    """Numbers are separated by commas; an underscore may part thousands."""
    assert options.numbers("--nodes", text) == expected


@pytest.mark.parametrize("text", ["", "800;1000", "800,", "8e5", "a"])
def test_no_list_of_numbers(text: str) -> None:
    """Anything else is wrong use that names the option."""
    with pytest.raises(UsageError, match="--nodes"):
        options.numbers("--nodes", text)


FILTERS = {
    "--plies": (12, "plies", 12),
    "--names": ("drop", "names", "drop"),
    "--since": ("2023", "since", "2023"),
    "--until": ("2025.06", "until", "2025.06"),
    "--event": ("Club", "events", ["Club"]),
    "--time-class": ("unknown", "time_classes", ["unknown"]),
    "--result": ("1-0", "results", ["1-0"]),
    "--rated": ("any", "rated", "any"),
    "--min-rating": (100, "min_rating", 100),
    "--max-rating": (3000, "max_rating", 3000),
}
"""Options of reading with a value, and the setting they are for, as it stands in the manifest."""


@pytest.mark.parametrize("command", ["read", "run"])
def test_every_option_of_reading_reaches_its_setting(
    miner: Miner, games: Path, engine: Path, tmp_path: Path, command: str
) -> None:
    """`run` reads by the same options as `read`, and each of them is heard."""
    given = [part for option, (value, _, _) in FILTERS.items() for part in (option, value)]
    machinery = ["--engine", engine, "--cache", tmp_path / "cache", *QUICK] if command == "run" else []

    told = miner(command, games, "--store", tmp_path / "store", *given, *machinery)

    assert (told.code, told.err) == (0, "")
    expected = {name: value for _, name, value in FILTERS.values()}
    assert manifest_settings(tmp_path / "store", "read") == expected


def test_place_of_the_cache(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The option, then the variable, then the user's cache folder."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setenv("MINER_CACHE", str(tmp_path / "named"))

    given, named = Means(cache=tmp_path / "given").cache_file, Means().cache_file
    monkeypatch.delenv("MINER_CACHE")

    assert (given, named) == (tmp_path / "given", tmp_path / "named")
    assert Means().cache_file == tmp_path / "miner" / "verdicts.sqlite"


def test_printed_settings_are_those_of_the_store(club: Path, miner: Miner, tmp_path: Path) -> None:
    """`miner status --settings` prints TOML that is read back whole, and a run with it changes nothing."""
    file = tmp_path / "club.toml"

    file.write_text(miner("status", "--store", club, "--settings").out, encoding="utf-8")

    settings = load_settings(file)
    assert settings.judge.nodes == (500, 2000)
    assert settings.tally.min_games == 3
    assert settings.read == ReadSettings()
    told = miner("rank", "--store", club, "--settings", file)
    assert (told.code, "up to date" in told.out) == (0, True)
