"""Finding the UCI engine, and everything about it that can change a verdict."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from miner.errors import EngineNotFound

VARIABLE = "MINER_ENGINE"
USUAL_NAME = "stockfish"
USUAL_PLACES = (
    Path("/usr/games/stockfish"),
    Path("/usr/local/bin/stockfish"),
    Path("/opt/homebrew/bin/stockfish"),
)

DISCOVER = "<autodiscover>"
"""The value by which some engines take any network that lies beside the program."""
NETWORKS = (".pb", ".pb.gz", ".nnue", ".txt.gz")
"""Suffixes of the files of networks (common practice, no source)."""

_ADVICE = f"install a UCI engine such as Stockfish, or name its program by --engine FILE or {VARIABLE}"


@dataclass(frozen=True, slots=True)
class EngineIdentity:
    """Everything about an engine that can change a verdict: its name, program, options, and their files."""

    name: str
    sha256: str  # of the program file
    options: tuple[tuple[str, str], ...]  # by name; defaults, and what we set
    files: tuple[tuple[str, str], ...] = ()  # option and SHA-256 of the file that it names, e.g. a network

    def as_dict(self) -> dict[str, Any]:
        """The identity as plain values for a manifest."""
        plain = {"name": self.name, "sha256": self.sha256, "options": dict(self.options)}
        # Only if there are any: engines that hold their network keep the digest they had before.
        return plain | ({"files": list(map(list, self.files))} if self.files else {})

    @property
    def digest(self) -> str:
        """SHA-256 of the identity: the engine's name in the keys of verdicts."""
        return hashlib.sha256(json.dumps(self.as_dict(), sort_keys=True).encode()).hexdigest()


def find_engine(named: str | None = None) -> Path:
    """The engine's program: the one `named`, else by MINER_ENGINE, else `stockfish` where it usually is.

    A name without a folder is looked for on PATH.
    Raises EngineNotFound; an engine that was asked for by name is not replaced by another one.
    """
    for source, wanted in (("", named), (f"{VARIABLE}=", os.environ.get(VARIABLE))):
        if wanted:
            found = shutil.which(Path(wanted).expanduser())
            if found is None:
                raise EngineNotFound(f"{source}{wanted} is no program that can be run", advice=_ADVICE)
            return Path(found)
    for usual in (USUAL_NAME, *USUAL_PLACES):
        if found := shutil.which(usual):
            return Path(found)
    looked = ", ".join([f"PATH ({USUAL_NAME})", *map(str, USUAL_PLACES)])
    raise EngineNotFound(f"no UCI engine found; looked at {VARIABLE} (not set), {looked}", advice=_ADVICE)


def program_digest(program: Path) -> str:
    """SHA-256 of a file such as the program; read again only if it is another one by number, size or time."""
    stat = program.stat()
    return _digest(program, stat.st_ino, stat.st_size, stat.st_mtime_ns)


def file_digests(program: Path, options: Iterable[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """Option and SHA-256 of each file that a text option names, by option; none for those that name none."""
    named = [(option, file) for option, value in options for file in _files_of(program, value)]
    return tuple(sorted((option, program_digest(file)) for option, file in named))


def _files_of(program: Path, value: str) -> list[Path]:
    """The readable files that an option's value names: from here, or from beside the program."""
    folders = dict.fromkeys((program.parent, program.resolve().parent))
    if value == DISCOVER:
        found = (path for folder in folders for suffix in NETWORKS for path in folder.glob(f"*{suffix}"))
    else:
        found = (folder / value for folder in (Path(), *folders))
    # A text may be too long for a name, over which Path.is_file stumbles.
    there = (path for path in found if os.path.isfile(path))  # noqa: PTH113
    return sorted({path.resolve() for path in there if os.access(path, os.R_OK)})


@lru_cache
def _digest(program: Path, number: int, size: int, time_ns: int) -> str:  # noqa: ARG001 - they make it stale
    with program.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
