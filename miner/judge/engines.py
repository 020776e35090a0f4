"""Where the UCI engine is, and what about it can change a verdict."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
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


@dataclass(frozen=True, slots=True)
class EngineIdentity:
    """Everything about an engine that can change a verdict: its name, its program, its options."""

    name: str
    sha256: str  # of the program file
    options: tuple[tuple[str, str], ...]  # by name; defaults, and what we set

    def as_dict(self) -> dict[str, Any]:
        """The same as plain values for a manifest."""
        return {"name": self.name, "sha256": self.sha256, "options": dict(self.options)}

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
    """SHA-256 of the program file; read again only if its size or time has changed."""
    stat = program.stat()
    return _digest(program, stat.st_size, stat.st_mtime_ns)


@lru_cache
def _digest(program: Path, size: int, time_ns: int) -> str:  # noqa: ARG001 - they are what makes it stale
    with program.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
