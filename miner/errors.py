"""The errors a coach may meet. Imports nothing of ours.

MinerError              the command line prints it without a traceback
  UsageError            exit 2: options that contradict each other, an unknown band or format
  SourceError           exit 1, as all below: a source cannot be opened, decompressed or decoded at all
  StoreError            not a store, another schema version, damaged, or a stage or a name is not there
  EngineNotFound        looked where, how to name one
  EngineFailed          died, hung or talked nonsense too often; what it said last
  ClusterFailed         nobody answers at its address, it was lost, or its workers cannot do their part
  ExportError           target not writable, or a package for it is not there
"""

from __future__ import annotations

import errno
from dataclasses import dataclass

_SAID_OF_A_FULL_DISK = (
    "No space left on device",
    "disk is full",  # SQLite's words
    "max_temp_directory_size",  # DuckDB's, which sees beforehand that there is no room
)


@dataclass(frozen=True, slots=True)
class Place:
    """Where something was found: a file or table, and as much more as is known."""

    name: str
    game: int | None = None  # number of the game in the source, from 1
    line: int | None = None  # line in the decompressed source, from 1

    def __str__(self) -> str:
        parts = [self.name] if self.name else []
        if self.game is not None:
            parts.append(f"game {self.game:,}")
        if self.line is not None:
            parts.append(f"line {self.line:,}")
        return ", ".join(parts)


def cause(error: Exception) -> str:
    """What an error of the system or of a library says, in a line; of a full disk it says so first.

    >>> cause(OSError(28, "No space left on device"))
    'the disk is full (No space left on device)'
    """
    said = str(error)
    line = (error.strerror if isinstance(error, OSError) else None) or said.partition("\n")[0]
    is_full = isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT)
    if is_full or any(words in said for words in _SAID_OF_A_FULL_DISK):
        return f"the disk is full ({line})"
    return line


class MinerError(Exception):
    """Anything that went wrong in a way a user can act on.

    `what` happened, `where` (a place, or a file or folder), and `advice` on what to do; all are kept.
    """

    exit_code = 1

    def __init__(self, what: str, *, where: object = None, advice: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where if isinstance(where, Place) or where is None else Place(str(where))
        self.advice = advice

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        advice = f"; {self.advice}" if self.advice else ""
        return f"{place}{self.what}{advice}"


class UsageError(MinerError):
    """Options that contradict each other or name something unknown."""

    exit_code = 2


class SourceError(MinerError):
    """A source cannot be opened, decompressed or decoded at all."""


class StoreError(MinerError):
    """Not a store, another schema version, damaged, or a stage or a name is not there."""


class EngineNotFound(MinerError):
    """No UCI engine where it was looked for."""


class EngineFailed(MinerError):
    """The engine died, hung or talked nonsense too often."""


class ClusterFailed(MinerError):
    """The cluster cannot be reached, was lost, or its workers cannot do their part."""


class ExportError(MinerError):
    """The target cannot be written."""
