"""A real engine, and one with a flaw."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

GO_BETWEEN = Path(__file__).with_name("flawed_engine.py")

Flawed = Callable[[str, str], Path]


@pytest.fixture
def recorded(engine: Path, tmp_path: Path) -> Path:
    """The real engine behind a script that writes the process ids to `pids` beside it."""
    program = tmp_path / "recorded"
    program.write_text(f'#!/bin/sh\necho $$ >> "{tmp_path}/pids"\nexec "{engine}"\n', encoding="utf-8")
    program.chmod(0o755)
    return program


@pytest.fixture
def flawed(engine: Path, tmp_path: Path) -> Flawed:
    """The real engine with a flaw: `flawed("hangs", "once")`; the folder `tmp_path` is its memory."""

    def make(flaw: str, when: str) -> Path:
        program = tmp_path / "flawed"
        command = f'exec "{sys.executable}" -S "{GO_BETWEEN}" "{engine}" "{tmp_path}" "{flaw}" "{when}"'
        program.write_text(f"#!/bin/sh\n{command}\n", encoding="utf-8")
        program.chmod(0o755)
        return program

    return make
