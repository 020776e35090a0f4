"""Where the UCI engine is, and what about it can change a verdict."""

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
"""Some engines' word for: any network that lies beside the program."""
NETWORKS = (".pb", ".pb.gz", ".nnue", ".txt.gz")
"""How the names of networks end (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class EngineIdentity:
    """Everything about an engine that can change a verdict: its name, program, options, and their files."""

    name: str
    sha256: str  # of the program file
    options: tuple[tuple[str, str], ...]  # by name; defaults, and what we set
    files: tuple[tuple[str, str], ...] = ()  # option and SHA-256 of the file that it names, e.g. a network

    def as_dict(self) -> dict[str, Any]:
        """The same as plain values for a manifest."""
        told = {"name": self.name, "sha256": self.sha256, "options": dict(self.options)}
        # Only if there are any: engines that hold their network keep the digest they had before.
        return told | ({"files": [list(one) for one in self.files]} if self.files else {})

    @property
    def digest(self) -> str:
        """The same as one short word for keys."""
        return hashlib.sha256(json.dumps(self.as_dict(), sort_keys=True).encode()).hexdigest()


def find_engine(named: str | None = None) -> Path:
    """The engine's program: what is `named`, else by MINER_ENGINE, else `stockfish` where it usually is.

    A name without a folder is looked for on PATH.
    Raises EngineNotFound; an engine that was asked for by name is not replaced by another one.
    """
    for source, wanted in (("", named), (f"{VARIABLE}=", os.environ.get(VARIABLE))):
        if wanted:
            return _program(wanted, f"{source}{wanted}")
    found = shutil.which(USUAL_NAME)
    if found:
        return Path(found)
    for place in USUAL_PLACES:
        if _runs(place):
            return place
    looked = ", ".join([f"PATH ({USUAL_NAME})", *map(str, USUAL_PLACES)])
    raise EngineNotFound(f"no UCI engine found; looked at {VARIABLE} (not set), {looked}", advice=_advice())


def _program(wanted: str, shown: str) -> Path:
    found = shutil.which(Path(wanted).expanduser())
    if found is None:
        raise EngineNotFound(f"{shown} is no program that can be run", advice=_advice())
    return Path(found)


def _runs(place: Path) -> bool:
    return place.is_file() and os.access(place, os.X_OK)


def _advice() -> str:
    return f"install a UCI engine such as Stockfish, or name its program by --engine FILE or {VARIABLE}"


def program_digest(program: Path) -> str:
    """SHA-256 of a file such as the program; read again only if it is another one by number, size or time."""
    stat = program.stat()
    return _digest(program, stat.st_ino, stat.st_size, stat.st_mtime_ns)


def file_digests(program: Path, options: Iterable[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """Option and SHA-256 of each file that a text option names, by option; none for those that name none."""
    return tuple(
        sorted(
            (option, program_digest(file)) for option, value in options for file in _files_of(program, value)
        )
    )


def _files_of(program: Path, value: str) -> list[Path]:
    """The files an option's value may mean: from here, and from beside the program."""
    folders = dict.fromkeys((program.parent, program.resolve().parent))
    if value == DISCOVER:
        found = (path for folder in folders for suffix in NETWORKS for path in folder.glob(f"*{suffix}"))
    else:
        found = (folder / value for folder in (Path(), *folders))
    return sorted({path.resolve() for path in found if _can_be_read(path)})


def _can_be_read(path: Path) -> bool:
    try:
        return path.is_file() and os.access(path, os.R_OK)
    except OSError:  # such as a text too long for a name
        return False


@lru_cache
def _digest(program: Path, number: int, size: int, time_ns: int) -> str:  # noqa: ARG001 - they make it stale
    with program.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
