"""Exit codes, one-line errors, help."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from miner.cli.app import Command, app
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
        ("export", ["--to", ".csv, .parquet, .pgn or .epd"]),
        ("show", ["ranked list", "NUMBER", "--diagrams", "--letters"]),
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
    assert "Commands" in none.err


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
