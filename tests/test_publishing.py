"""What others get of the project: workflow, citation, container, the page on a package index, the sources."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tarfile
import tomllib
from pathlib import Path
from typing import Any

import pytest
import yaml  # type: ignore[import-untyped] # what pre-commit and the site's tools bring along

import miner
from tests.conftest import ROOT

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
WORKFLOW = ROOT / ".github" / "workflows" / "tests.yml"
CITATION = ROOT / "CITATION.cff"


@pytest.mark.parametrize(
    ("schema", "file"), [("github-workflows", WORKFLOW), ("citation-file-format", CITATION)]
)
def test_file_follows_its_schema(schema: str, file: Path) -> None:
    """As those who read such files have published it, and check-jsonschema brings it along."""
    pytest.importorskip("check_jsonschema", reason="`make` installs it")
    told = subprocess.run(
        [sys.executable, "-m", "check_jsonschema", "--builtin-schema", f"vendor.{schema}", file],
        capture_output=True,
        text=True,
        check=False,
    )

    assert told.returncode == 0, told.stdout + told.stderr


def test_workflow_tries_every_python_and_system() -> None:
    """Those that are asked for and told of, and the next Python."""
    tests = yaml.safe_load(WORKFLOW.read_text(encoding="utf-8"))["jobs"]["tests"]
    told = [
        one.rpartition(" ")[2] for one in PROJECT["project"]["classifiers"] if re.search(r":: 3\.\d", one)
    ]

    matrix = tests["strategy"]["matrix"]
    assert matrix["python"][0] == PROJECT["project"]["requires-python"].removeprefix(">=")
    assert set(told) <= set(matrix["python"])
    assert [system.partition("-")[0] for system in matrix["os"]] == ["ubuntu", "macos", "windows"]


def test_workflow_names_what_there_is() -> None:
    """Targets of the Makefile, scripts and lists of packages."""
    steps = [
        step["run"]
        for job in yaml.safe_load(WORKFLOW.read_text(encoding="utf-8"))["jobs"].values()
        for step in job["steps"]
        if "run" in step
    ]
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")

    targets = re.findall(r"make (\w+)", " ".join(steps))
    files = re.findall(r"(?:tools|requirements)/[\w.-]+", " ".join(steps))
    assert targets
    assert [one for one in targets if not re.search(rf"(?m)^{one}:", makefile)] == []
    assert len(files) >= 3
    assert [one for one in files if not (ROOT / one).is_file()] == []


def test_version_is_the_same_everywhere() -> None:
    """Of the program, of the built package and in the citation."""
    cited = yaml.safe_load(CITATION.read_text(encoding="utf-8"))

    assert (cited["version"], built()["version"]) == (miner.__version__, miner.__version__)


def test_container_holds_all_that_a_wheel_is_built_from() -> None:
    """What is copied is there and is sent to the builder; with the sample and the list of packages."""
    container = (ROOT / "Containerfile").read_text(encoding="utf-8")
    sent = (ROOT / ".dockerignore").read_text(encoding="utf-8").splitlines()
    copied = [one for line in re.findall(r"(?m)^COPY (.*) \S+$", container) for one in line.split()]

    wheel = PROJECT["tool"]["hatch"]["build"]["targets"]["wheel"]
    needed = [*wheel["packages"], *map(str, wheel["force-include"]), wheel["hooks"]["custom"]["path"]]
    assert [one for one in copied if not (ROOT / one).exists() or f"!{one}" not in sent] == []
    assert [one for one in needed if not any(Path(one).is_relative_to(there) for there in copied)] == []
    assert [one for one in re.findall(r"-r (\S+)", container) if not (ROOT / one).is_file()] == []


def test_readme_works_on_a_package_index() -> None:
    """Without the pictures, and without links to files that only the sources have."""
    readme = built()["readme"]["text"]

    assert "![" not in readme
    assert re.findall(r"\]\((?!https?:)", readme) == []
    assert "| | |" not in readme
    assert readme.startswith("# miner\n")
    assert len(readme) > 0.9 * len((ROOT / "README.md").read_text(encoding="utf-8"))


def test_sources_hold_notebooks_docs_and_tests(tmp_path: Path) -> None:
    """Whoever gets the sources of a release can do what a clone can."""
    build = [sys.executable, "-m", "hatchling", "build", "-t", "sdist", "-d", str(tmp_path)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)

    [packed] = tmp_path.glob("*.tar.gz")
    with tarfile.open(packed) as sources:
        names = {name.partition("/")[2] for name in sources.getnames()}
    notebooks = {f"notebooks/{path.name}" for path in (ROOT / "notebooks").glob("*.ipynb")}
    assert notebooks
    assert {*notebooks, "Makefile", "tests/conftest.py", "data/sample/club.pgn", "docs/measured.md"} <= names
    assert [name for name in names if name.startswith((".venv", "out/"))] == []


def built() -> dict[str, Any]:
    """The metadata of the package as it is built."""
    told = subprocess.run(
        [sys.executable, "-m", "hatchling", "metadata"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    metadata: dict[str, Any] = json.loads(told.stdout)
    return metadata


@pytest.mark.slow
def test_tests_are_found_without_posix() -> None:
    """Windows has not all signals and modules: nothing of them is needed before a test begins."""
    told = subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "--collect-only",
            "-q",
            "-p",
            "tests.without_posix",
            "-p",
            "no:xdist",
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )

    assert told.returncode == 0, told.stdout[-3000:]
