"""Tests of finding an engine and knowing it again."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

import pytest

from miner.engine import identity as engines
from miner.engine.dispatch import identify
from miner.engine.identity import file_digests, find_engine, program_digest
from miner.errors import EngineFailed, EngineNotFound
from miner.means import Means


@pytest.fixture
def program(tmp_path: Path) -> Path:
    path = tmp_path / "my-engine"
    path.write_text("#!/bin/sh\n", encoding="utf-8")
    path.chmod(0o755)
    return path


def test_engine_by_name_comes_first(program: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is named is taken, whatever the environment says."""
    monkeypatch.setenv("MINER_ENGINE", "/no/such/engine")

    assert find_engine(str(program)) == program


def test_engine_by_environment(program: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """MINER_ENGINE comes next, also as a plain name on PATH."""
    monkeypatch.setenv("PATH", str(program.parent))
    monkeypatch.setenv("MINER_ENGINE", "my-engine")

    assert find_engine() == program


def test_usual_engine_is_looked_for_on_path(program: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without any name it is the usual one on PATH."""
    monkeypatch.delenv("MINER_ENGINE", raising=False)
    monkeypatch.setenv("PATH", str(program.parent))
    usual = program.rename(program.with_name("stockfish"))

    assert find_engine() == usual


def test_named_engine_is_not_replaced(monkeypatch: pytest.MonkeyPatch) -> None:
    """A wrong name is an error that says so, not another engine."""
    with pytest.raises(EngineNotFound, match="/no/such/engine is no program"):
        find_engine("/no/such/engine")

    monkeypatch.setenv("MINER_ENGINE", "/no/other/engine")
    with pytest.raises(EngineNotFound, match="MINER_ENGINE=/no/other/engine"):
        find_engine()


def test_error_says_where_it_looked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No engine at all: the places, and how to name one."""
    monkeypatch.delenv("MINER_ENGINE", raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(engines, "USUAL_PLACES", (tmp_path / "stockfish",))

    with pytest.raises(EngineNotFound, match=f"PATH.*{tmp_path}/stockfish.*--engine FILE or MINER_ENGINE"):
        find_engine()


def test_usual_place_must_hold_a_program(
    program: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder of that name and a file that may not be run are passed over."""
    (tmp_path / "folder").mkdir()
    (tmp_path / "text").write_text("no program", encoding="utf-8")
    monkeypatch.delenv("MINER_ENGINE", raising=False)
    monkeypatch.setenv("PATH", "")
    monkeypatch.setattr(engines, "USUAL_PLACES", (tmp_path / "folder", tmp_path / "text", program))

    assert find_engine() == program


@pytest.mark.posix
def test_changed_program_has_another_digest(program: Path) -> None:
    """An engine of the same name that was replaced is another engine."""
    before = program_digest(program)
    program.write_text("#!/bin/sh\nexit\n", encoding="utf-8")

    assert program_digest(program) != before


@pytest.mark.engine
def test_identity_names_what_can_change_a_verdict(engine: Path) -> None:
    """Name, program and options, with the values that are set and the defaults of the rest."""
    identity = identify(Means(engine=engine), hash_mb=8)

    options = dict(identity.options)
    assert identity.name
    assert (options["Threads"], options["Hash"], options["UCI_ShowWDL"]) == ("1", "8", "true")
    assert options["MultiPV"] == "1"
    assert identity.digest != identify(Means(engine=engine), hash_mb=16).digest


def test_files_that_options_name(program: Path, tmp_path: Path) -> None:
    """By a whole path, beside the program, or to be discovered there; folders and other texts name none."""
    (tmp_path / "some.nnue").write_bytes(b"network")
    digest = sha256(b"network").hexdigest()
    named = [
        ("Absolute", str(tmp_path / "some.nnue")),
        ("Beside", "some.nnue"),
        ("Discovered", "<autodiscover>"),
        ("Empty", ""),
        ("Folder", str(tmp_path)),
        ("Long", "x" * 5000),
        ("Missing", "other.nnue"),
    ]

    assert file_digests(program, named) == (
        ("Absolute", digest),
        ("Beside", digest),
        ("Discovered", digest),
    )


def test_program_that_is_no_engine(program: Path) -> None:
    """A program that ends without a greeting is of no use, and is named."""
    with pytest.raises(EngineFailed, match="my-engine: the engine is of no use: it ended before `uciok`"):
        identify(Means(engine=program), hash_mb=16)


def test_file_that_cannot_be_run(tmp_path: Path) -> None:
    """The system's own reason is passed on."""
    (tmp_path / "text").write_text("hello", encoding="utf-8")

    with pytest.raises(EngineFailed, match="cannot be started: Permission denied"):
        identify(Means(engine=tmp_path / "text"), hash_mb=16)
