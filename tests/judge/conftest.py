"""A real engine, and programs that stand in front of it or in its place."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

FAKE = Path(__file__).with_name("fake_engine.py")


@pytest.fixture
def recorded_engine(engine: Path, tmp_path: Path) -> Path:
    """The real engine behind a script that writes the process ids to `pids` beside it."""
    return _script(tmp_path / "recorded", f'#!/bin/sh\necho $$ >> "{tmp_path}/pids"\nexec "{engine}"\n')


@pytest.fixture
def fake_engine(tmp_path: Path) -> Callable[[str], Path]:
    """A scripted engine with the flaw that is named; the folder `tmp_path` is its memory."""

    def make(flaw: str) -> Path:
        command = f'exec "{sys.executable}" "{FAKE}" {flaw} "{tmp_path}"'
        return _script(tmp_path / f"fake-{flaw}", f"#!/bin/sh\n{command}\n")

    return make


@pytest.fixture
def scripted_engine(tmp_path: Path) -> Callable[..., Path]:
    """An engine that answers `uci` and `go` with given lines, `go` also with a command of the shell.

    What it is told is written to `told` beside it.
    """

    def make(*answers: str, greeting: Sequence[str] = (), command: str = ":") -> Path:
        (tmp_path / "greeting").write_text("".join(f"{line}\n" for line in greeting), encoding="latin-1")
        (tmp_path / "answers").write_text("".join(f"{line}\n" for line in answers), encoding="utf-8")
        return _script(tmp_path / "scripted", _SCRIPT.format(folder=tmp_path, command=command))

    return make


_SCRIPT = """#!/bin/sh
while read -r line; do
    echo "$line" >> "{folder}/told"
    case "$line" in
        uci) cat "{folder}/greeting"; echo uciok ;;
        isready) echo readyok ;;
        go*) {command}; cat "{folder}/answers" ;;
        quit) exit ;;
    esac
done
"""


def _script(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    path.chmod(0o755)
    return path
