"""What README and DEVELOPERS say is so: commands run, columns and options exist."""

from __future__ import annotations

import re
import shlex
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import typer
import zstandard

from docs.generated import pages
from miner import schema
from miner.cli import main
from miner.cli.app import Command, app
from miner.distribution import NAME
from miner.export.choice import BY_BAND, FINDINGS, LISTS
from miner.export.formats import FORMATS
from miner.export.lists import CSV_COLUMNS
from miner.terms import alternatives
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


DOCS = {path.name: path.read_text(encoding="utf-8") for path in sorted((ROOT / "docs").glob("*.md"))}
PLACES = [
    *sorted(ROOT.glob("*.md")),
    *sorted((ROOT / "docs").glob("*.md")),
    ROOT / "data" / "sample" / "README.md",
]
PAGES = pytest.mark.parametrize(
    "page", [README, DEVELOPERS, *DOCS.values()], ids=["README", "DEVELOPERS", *DOCS]
)


def shell_lines(text: str) -> list[str]:
    """The lines of the shell blocks of a page."""
    return [
        line
        for block in re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
        for line in block.splitlines()
        if line
    ]


def inline_code(text: str) -> list[str]:
    """What stands in backquotes within a page's sentences, on one line each."""
    prose = re.sub(r"```.*?```", "", text, flags=re.DOTALL)
    return [" ".join(one.split()) for one in re.findall(r"`([^`]+)`", prose)]


def commands_named(text: str) -> list[list[str]]:
    """The command lines of `miner` that a page has, in blocks and in sentences, split into words."""
    lines = [*shell_lines(text), *inline_code(text)]
    split = [shlex.split(re.sub(r"\[.*", "", line)) for line in lines if re.match(r"miner \w", line)]
    return [words[1:] for words in split]


def options_of_commands() -> dict[str, set[str]]:
    """Every command of the program with the options that it takes."""
    commands: dict[str, Command] = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    return {
        name: {"--help"}
        | {opt for parameter in command.loaded.params for opt in parameter.opts if opt[:2] == "--"}
        for name, command in commands.items()
    }


@pytest.mark.engine
def test_every_command_of_the_readme_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """One after the other, as a coach would type them; the list then has the trap that the games hold."""
    forgotten = GAMES.replace("White 15", "Surname, First name")
    (tmp_path / "games.pgn").write_text(forgotten, encoding="utf-8")
    (tmp_path / "pupils.pgn").write_text(GAMES, encoding="utf-8")
    (tmp_path / "round9.pgn").write_text(GAMES.replace('"White ', '"Guest '), encoding="utf-8")
    (tmp_path / "club.pgn").write_text(GAMES.replace('"White ', '"Ours '), encoding="utf-8")
    (tmp_path / "dump.pgn.zst").write_bytes(zstandard.compress(GAMES.encode()))
    commands = [shlex.split(line)[1:] for line in shell_lines(README) if line.startswith("miner ")]
    monkeypatch.setenv("MINER_CACHE", str(tmp_path / "verdicts.sqlite"))
    monkeypatch.chdir(tmp_path)
    codes, outputs = [], []

    for command in commands:
        monkeypatch.setattr(sys, "argv", ["miner", *command])
        with pytest.raises(SystemExit) as leaving:
            main()
        codes.append(leaving.value.code or 0)
        outputs.append(capfd.readouterr())

    assert [(code, output.err) for code, output in zip(codes, outputs, strict=True)] == [(0, "")] * len(codes)
    assert len(commands) >= 5
    assert "2...g6" in outputs[1].out
    assert (tmp_path / "findings.csv").is_file()


@PAGES
def test_commands_that_are_named_exist(page: str) -> None:
    """Each command line on a page is of a command there is, with options of that command."""
    takes = options_of_commands()

    wrong = [
        words
        for words in commands_named(page)
        if words[0] not in takes
        or not {word.split("=")[0] for word in words if word.startswith("--")} <= takes[words[0]]
    ]

    assert wrong == []


@PAGES
def test_options_that_are_named_alone_are_of_a_run(page: str) -> None:
    """An option without its command is one of `miner run`."""
    named = {words.split()[0] for words in inline_code(page) if words.startswith("--")}

    assert sorted(named - options_of_commands()["run"]) == []


def test_readme_names_options_alone() -> None:
    """So that the test above has something to check."""
    assert {"--side", "--band", "--min-games"} <= {words.split()[0] for words in inline_code(README)}


def test_every_command_is_named_in_the_readme() -> None:
    """No command is left for the user to find by chance."""
    named = {words[0] for words in commands_named(README)}

    assert sorted(set(options_of_commands()) - named) == []


@PAGES
def test_make_targets_exist(page: str) -> None:
    """Pages name only targets that the Makefile has; README and DEVELOPERS name the tests."""
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    lines = [line.split(" #")[0] for line in (*shell_lines(page), *inline_code(page))]
    named = {target for line in lines if line.startswith("make ") for target in line.split()[1:]}

    assert "test" in named or page in DOCS.values()
    assert [target for target in named if not re.search(rf"(?m)^{target}:", makefile)] == []


@PAGES
def test_files_that_are_named_exist(page: str) -> None:
    """Each module, page and folder that is named is in the project: at that place, or within the package."""
    links = re.findall(r"\]\(([^)#]+)\)", page)
    named = {one for one in inline_code(page) if re.fullmatch(r"[\w./-]+(\.py|\.md|\.toml|/)", one)}
    elsewhere = {"out/", "miner.toml"}  # made by running, and a coach's own

    missing = {
        one
        for one in named | {*links}
        if not any((folder / one).exists() for folder in (ROOT, ROOT / "docs"))
        and not any((ROOT / "miner").rglob(one.rstrip("/")))
    }

    assert missing - elsewhere == set()


@pytest.mark.parametrize("page", PLACES, ids=[page.name for page in PLACES])
def test_links_lead_somewhere(page: Path) -> None:
    """From the page's own folder, in a clone of which nothing was made yet."""
    prose = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    links = [link for link in re.findall(r"\]\(([^)#]+)[^)]*\)", prose) if not link.startswith("http")]

    assert [link for link in links if not (page.parent / link).exists()] == []


@pytest.mark.parametrize("name", pages())
def test_pages_that_are_made_of_the_code_are_as_it_is(name: str) -> None:
    """`make docs` writes them anew."""
    assert DOCS[name] == pages()[name]


def test_example_of_one_test_is_one() -> None:
    """The command line for a single test names a file and a word that select something."""
    [words] = [shlex.split(line.split("#")[0]) for line in shell_lines(DEVELOPERS) if " -k " in line]
    file, word = words[1], words[3]

    assert re.search(rf"def test_\w*{word}", (ROOT / file).read_text(encoding="utf-8"))


def test_readme_explains_the_columns_of_the_csv() -> None:
    """All of them, and no other."""
    table = README.split("| column | meaning |")[1].split("\n\n")[0]
    explained = [name for row in table.splitlines()[2:] for name in re.findall(r"`(\w+)`", row.split("|")[1])]

    assert sorted(explained) == sorted(CSV_COLUMNS)


def test_columns_of_every_list_are_explained() -> None:
    """Findings aside, whose columns the table above and that of the store explain."""
    text = DOCS["tables.md"].partition("## By `miner export`")[2]
    explained = dict(re.findall(r"### (\w+), as a list\n(.*?)(?=\n### |\Z)", text, re.DOTALL))

    assert {*explained} == {*LISTS} - {FINDINGS, BY_BAND}
    for name, part in explained.items():
        assert re.findall(r"(?m)^\| `(\w+)`", part) == schema.LISTS[name].names


def test_formats_of_the_export_are_named() -> None:
    """All of them, and no other, in README and in the command's help."""
    export: Any = typer.main.get_command(app).commands["export"].loaded  # type: ignore[attr-defined]
    [target] = [option for option in export.params if "--to" in option.opts]

    assert f"a file's name ends in: {alternatives(f'`{suffix}`' for suffix in FORMATS)}." in " ".join(
        README.split()
    )
    assert target.help.startswith(f"Ends in {alternatives(FORMATS)} (")


def test_every_dependency_has_its_reason() -> None:
    """The table of DEVELOPERS.md has the packages that pyproject.toml asks for, and no others."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [
        *project["dependencies"],
        *(one for extra in project["optional-dependencies"].values() for one in extra),
    ]
    asked = [one for one in asked if not one.startswith(f"{NAME}[")]
    names = [re.split(r"[<>=\[;]", one)[0] for one in asked]
    rows = DEVELOPERS.split("| package | reason |")[1].split("\n\n")[0].splitlines()[2:]
    first_cells = [re.sub(r"\(.*?\)|^[^:]*:", "", row.split("|")[1].strip()) for row in rows]
    explained = [name.strip() for cell in first_cells for name in cell.split(",")]

    assert sorted(explained) == sorted(names)


@pytest.mark.engine
@pytest.mark.slow
def test_the_page_about_the_library_runs(
    engine: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Block after block, as in a notebook, on games that hold a trap."""
    (tmp_path / "club.pgn").write_text(GAMES, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("MINER_CACHE", str(tmp_path / "verdicts.sqlite"))
    monkeypatch.setenv("MINER_ENGINE", str(engine))
    blocks = re.findall(r"```python\n(.*?)```", DOCS["library.md"], re.DOTALL)
    names: dict[str, Any] = {}

    for block in blocks:
        exec(compile(block, "library.md", "exec"), names)

    assert len(blocks) >= 6
    assert names["store"].findings()
    assert (tmp_path / "findings.json").is_file()
    assert names["plan"].sessions
