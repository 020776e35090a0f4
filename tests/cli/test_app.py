"""Exit codes, one-line errors, help."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

import miner as miner_package
from miner.bars import Bars
from miner.cli.app import GROUPS, Command, app
from miner.cli.terminal import is_coloured
from miner.store import Store
from tests.cli.conftest import Told, command, in_process
from tests.conftest import ROOT

Miner = Callable[..., Told]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (
            "run",
            [
                "read the games, count the replies, judge them, scan, follow and rank the mistakes",
                "--store",
                "--nodes",
                "--band-edges",
                "--event",
            ],
        ),
        ("read", ["Read games into the store", "--plies", "--names", "--time-class"]),
        ("tally", ["Count how often", "--band-edges", "--memory"]),
        ("judge", ["engine", "--nodes", "--cache", "stopped and resumed"]),
        ("scan", ["whole games", "--games", "--cache", "stopped and resumed"]),
        ("rank", ["Order the losing replies", "--side", "--band"]),
        ("export", ["--to", ".csv, .parquet, .pgn, .epd, .json or .xlsx"]),
        ("show", ["three things to teach first", "NUMBER", "--diagrams", "--letters"]),
        ("motifs", ["MOTIF", "--band", "--top", "--letters"]),
        ("game", ["NUMBER", "how a model game is won", "--to", ".pgn or .pdf", "--nodes", "--language"]),
        ("status", ["what is out of date", "--settings"]),
        ("demo", ["invented junior club", "--out"]),
    ],
)
def test_help_of_every_command(name: str, words: list[str]) -> None:
    """Each command says what it does and what it can be told."""
    told = CliRunner().invoke(app, [name, "--help"], env={"COLUMNS": "200", "TERMINAL_WIDTH": "200"})

    assert told.exit_code == 0
    text = " ".join(told.output.split())
    assert [word for word in words if word.casefold() not in text.casefold()] == []


def test_help_lists_the_commands_and_where_to_start() -> None:
    """Without arguments and with --help the commands are listed."""
    told = CliRunner().invoke(app, ["--help"])

    assert told.exit_code == 0
    commands = ("run", "read", "tally", "judge", "follow", "rank", "export", "show", "status", "demo")
    assert all(f"  {name} " in told.output for name in commands)
    assert "miner demo" in told.output


def test_list_of_commands_says_what_each_says_itself() -> None:
    """The first sentences in the list are those of the commands, which it does not load."""
    commands: dict[str, Command] = typer.main.get_command(app).commands  # type: ignore[attr-defined]

    listed = {name: command.get_short_help_str(200) for name, command in commands.items()}

    assert listed == {name: command.loaded.get_short_help_str(200) for name, command in commands.items()}
    assert all(listed.values())


def test_missing_store(miner: Miner, tmp_path: Path) -> None:
    """Every command that needs a store fails with one line that says how to make one."""
    for arguments in (["tally"], ["judge"], ["rank"], ["show"], ["status"], ["export", "--to", "list.csv"]):
        told = miner(*arguments, "--store", tmp_path / "none")

        assert told.code == 1, arguments
        assert told.err == (
            f"miner: {tmp_path / 'none'}: there is no store here; "
            "make one with `miner run SOURCE --store DIR`\n"
        )
        assert not (tmp_path / "none").exists()


def test_missing_source(miner: Miner, tmp_path: Path) -> None:
    """A file that is not there is named."""
    told = miner("read", tmp_path / "none.pgn", "--store", tmp_path / "store")

    assert told.code == 1
    assert told.err.startswith("miner: ")
    assert "none.pgn" in told.err
    assert told.err.count("\n") == 1


def test_missing_engine(tmp_path: Path, games: Path) -> None:
    """An engine that is named by the variable and not there is told before anything is read."""
    told = in_process("run", games, "--store", tmp_path / "store", MINER_ENGINE="/nonexistent")

    assert told.code == 1
    assert told.err.startswith(
        "miner: MINER_ENGINE=/nonexistent is no program that can be run; install a UCI"
    )
    assert "Traceback" not in told.err
    assert not (tmp_path / "store" / "read.json").exists()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--plies", "0"], "plies 0 is out of range"),
        (["--plies", "all"], "--plies"),
        (["--nodes", "10"], "nodes 10 do not rise"),
        (["--nodes", "many"], "--nodes 'many' is no list of numbers"),
        (["--band-edges", "1000,800"], "band edges 1000, 800 do not rise"),
        (["--band", "900-1100"], "no band is called 900-1100"),
        (["--side", "red"], "--side"),
        (["--time-class", "fast"], "time_classes 'fast' is unknown"),
        (["--since", "yesterday"], "since 'yesterday' is no date"),
        (["--engines", "0"], "--engines"),
        (["--memory", "1"], "--memory"),
        (["--colour", "red"], "No such option"),
        (["--settings", "none.toml"], "settings file none.toml"),
    ],
)
def test_wrong_use(arguments: list[str], told: str, miner: Miner, tmp_path: Path, games: Path) -> None:
    """Options that make no sense end with code 2 and the name of what is wrong."""
    said = miner("run", games, "--store", tmp_path / "store", "--engine", "true", *arguments)

    assert said.code == 2, said
    assert told in said.err
    assert "Traceback" not in said.err


def test_store_that_another_run_writes(miner: Miner, games: Path, tmp_path: Path) -> None:
    """Two runs at once in one store are one too many."""
    store = Store.create(tmp_path / "store")

    with store.writing():
        told = miner("read", games, "--store", store.root)

    assert told.code == 1
    assert told.err == (
        f"miner: {store.root}: another run is at work in this store; "
        "wait until it is done, or name another folder\n"
    )


def test_unknown_command_and_no_command(miner: Miner) -> None:
    """A command that does not exist is wrong use; none at all shows the help."""
    unknown, none = miner("mine"), miner()

    assert (unknown.code, none.code) == (2, 2)
    assert "No such command 'mine'" in unknown.err
    assert "The whole job:" in none.err


def test_where_an_error_arose_only_if_asked(miner: Miner, tmp_path: Path) -> None:
    """With --verbose the traceback comes before the line; the code stays the same."""
    quiet = miner("rank", "--store", tmp_path)
    wordy = miner("rank", "--store", tmp_path, "--verbose")
    wrong = miner("run", "-", "--store", tmp_path / "s", "--plies", "0", "--engine", "true", "--verbose")

    assert "Traceback" not in quiet.err
    assert "Traceback" in wordy.err
    assert wordy.err.endswith(quiet.err)
    assert (quiet.code, wordy.code, wrong.code) == (1, 1, 2)


def test_reader_that_goes_away(club: Path) -> None:
    """`miner show | head -1` ends without a word of complaint."""
    shown = subprocess.Popen(
        command("show", "--store", club, "--diagrams"),
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert shown.stdout
    assert shown.stderr
    shown.stdout.close()

    complaint = shown.stderr.read().decode()
    shown.stderr.close()

    assert (shown.wait(), complaint) == (0, "")


def test_commands_stand_in_groups() -> None:
    """Each in one group of the help, in the order of the groups; the whole job comes first."""
    told = CliRunner().invoke(app, ["-h"])

    lines = told.output.splitlines()
    places = [lines.index(f"{heading}:") for heading in GROUPS]
    assert places == sorted(places)
    for heading, group in GROUPS.items():
        after = lines[lines.index(f"{heading}:") + 1 :]
        assert [line.split()[0] for line in after[: len(group)]] == list(group)
    assert "130 stopped by" in told.output


@pytest.mark.parametrize("words", [["show", "-h"], ["run", "-h"]])
def test_short_option_for_help(words: list[str]) -> None:
    """Of each command, too."""
    assert CliRunner().invoke(app, words).output.startswith("Usage: ")


def test_version_and_module() -> None:
    """`python -m miner` is the same program, and tells which one it is."""
    told = subprocess.run(
        [sys.executable, "-W", "error", "-m", "miner", "--version"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )

    assert told.stdout == f"miner {miner_package.__version__}\n"


@pytest.mark.posix
@pytest.mark.parametrize(
    ("typed", "expected"),
    [("miner sta", {"status"}), ("miner show --diag", {"--diagrams"}), ("miner show --kind t", {"trap"})],
)
def test_completion(typed: str, expected: set[str]) -> None:
    """Commands, their options and the values of these, though a command is loaded when it is called."""
    words = typed.split()
    program = "import sys; sys.argv = ['miner']; from miner.cli import main; main()"
    told = subprocess.run(
        [sys.executable, "-c", program],
        cwd=ROOT,
        env=os.environ
        | {"_MINER_COMPLETE": "complete_bash", "COMP_WORDS": typed, "COMP_CWORD": str(len(words) - 1)},
        capture_output=True,
        text=True,
        check=False,
    )

    assert set(told.stdout.split()) == expected, told.stderr


def test_store_by_its_variable(
    miner: Miner, games: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """MINER_STORE stands in for the option, which comes before it."""
    miner("read", games, "--store", tmp_path / "one", "--processes", 1)
    monkeypatch.setenv("MINER_STORE", str(tmp_path / "one"))

    by_variable, by_option = miner("status"), miner("status", "--store", tmp_path / "two")

    assert (by_variable.code, by_option.code) == (0, 1)


@pytest.mark.parametrize(
    ("environment", "coloured"),
    [({}, True), ({"NO_COLOR": "1"}, False), ({"NO_COLOR": ""}, True), ({"TERM": "dumb"}, False)],
)
def test_colours(environment: dict[str, str], coloured: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a terminal, unless NO_COLOR is set to anything or the terminal has none; then it has no bars.

    Source: the convention NO_COLOR, from memory: any value that is not empty.
    """
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)

    assert is_coloured() == coloured
    assert Bars().is_watched == (environment.get("TERM") != "dumb")
