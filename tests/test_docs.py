"""What README and DEVELOPERS say is so: commands run, columns and options exist."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from miner.export.lists import CSV_COLUMNS
from tests.conftest import ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")

GAMES = "".join(
    f'[Event "Club evening"]\n[White "White {number}"]\n[Black "Black {number}"]\n[Result "{result}"]\n'
    f'[WhiteElo "1100"]\n[BlackElo "1050"]\n\n1. e4 e5 2. Qh5 {reply} {result}\n\n'
    for number, (reply, result) in enumerate(
        [("g6 3. Qxe5+ Be7 4. Qxh8 Kf8 5. Qxg8+", "1-0")] * 8 + [("Nc6 3. Bc4 g6 4. Qf3 Nf6", "0-1")] * 8
    )
)


def shell_lines(text: str) -> list[str]:
    """The lines of the shell blocks of a page."""
    return [
        line
        for block in re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
        for line in block.splitlines()
        if line
    ]


@pytest.mark.engine
def test_every_command_of_the_readme_runs(tmp_path: Path) -> None:
    """One after the other, as a coach would type them; the list then has the trap that the games hold."""
    (tmp_path / "games.pgn").write_text(GAMES, encoding="utf-8")
    commands = [shlex.split(line)[1:] for line in shell_lines(README) if line.startswith("miner ")]
    environment = os.environ | {"MINER_CACHE": str(tmp_path / "verdicts.sqlite")}

    told = [
        subprocess.run(
            [sys.executable, "-W", "error", "-m", "miner.cli", *command],
            cwd=tmp_path,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
        for command in commands
    ]

    assert [(one.returncode, one.stderr) for one in told] == [(0, "")] * len(commands)
    assert len(commands) >= 5
    assert "2...g6" in told[1].stdout
    assert (tmp_path / "findings.csv").is_file()


def test_make_targets_exist() -> None:
    """Both pages name only targets that the Makefile has."""
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    named = re.findall(r"(?m)^make ([a-z-]+)", "\n".join(shell_lines(README + DEVELOPERS)))

    assert {"demo", "test"} <= set(named)
    assert [target for target in named if not re.search(rf"(?m)^{target}:", makefile)] == []


def test_readme_explains_the_columns_of_the_csv() -> None:
    """All of them, and no other."""
    table = README.split("| column | meaning |")[1].split("\n\n")[0]
    explained = [name for row in table.splitlines()[2:] for name in re.findall(r"`(\w+)`", row.split("|")[1])]

    assert sorted(explained) == sorted(CSV_COLUMNS)


def test_options_of_the_readme_exist() -> None:
    """What is named as an option is one of `miner run`, `show`, `status` or `export`."""
    helps = "".join(
        subprocess.run(
            [sys.executable, "-m", "miner.cli", command, "--help"], capture_output=True, text=True, check=True
        ).stdout
        for command in ("run", "show", "status", "export")
    )
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README))

    assert named
    assert sorted(option for option in named if option not in helps) == []


def test_every_dependency_has_its_reason() -> None:
    """DEVELOPERS.md names each package that pyproject.toml asks for."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [*project["dependencies"], *project["optional-dependencies"]["dev"]]
    names = [re.split(r"[<>=\[;]", one)[0] for one in asked]

    assert [name for name in names if name not in DEVELOPERS] == []
