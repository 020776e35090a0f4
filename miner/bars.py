"""Progress bars on a terminal, and text that a terminal may have."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from miner.progress import Task

if TYPE_CHECKING:
    from tqdm import tqdm


def printable(text: str) -> str:
    r"""Text for one line of a terminal: what would turn its colours, its writing direction or its cursor, or
    break the line, is written out.

    >>> printable("club\x1b[31m\n.pgn")
    'club\\x1b[31m\\n.pgn'
    """
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode("ascii") for letter in text
    )


def is_dumb() -> bool:
    """Whether the terminal calls itself one that moves no cursor and shows no colours."""
    return os.environ.get("TERM") == "dumb"


class _Bar:
    def __init__(self, bar: tqdm[Any]) -> None:
        self._bar = bar

    def advance(self, amount: int = 1) -> None:
        self._bar.update(amount)

    def facts(self, text: str) -> None:
        self._bar.set_postfix_str(text, refresh=False)


class Bars:
    """Progress that a person watches: bars on standard error."""

    def __init__(self, *, shown: bool | None = None) -> None:
        """`shown`: whether there are bars; None: where standard error is a terminal that can have any."""
        self._shown = shown

    @property
    def is_watched(self) -> bool:
        """Whether there are bars at all."""
        return sys.stderr.isatty() and not is_dumb() if self._shown is None else self._shown

    def note(self, text: str) -> None:
        """One line above the bars, where there are any."""
        from tqdm import tqdm

        if self.is_watched:
            tqdm.write(printable(text), file=sys.stderr)

    @contextmanager
    def task(self, what: str, *, total: int | None, unit: str) -> Iterator[Task]:
        """A bar with the share done, the rate and the time left."""
        from tqdm import tqdm  # most commands have no bar

        is_bytes = unit == "B"
        bar: tqdm[Any]
        with tqdm(
            desc=f"{what:<10}",
            total=total,
            unit=unit if is_bytes else f" {unit}",
            unit_scale=is_bytes or unit == "nodes",
            unit_divisor=1024 if is_bytes else 1000,
            disable=not self.is_watched,
            dynamic_ncols=True,
        ) as bar:
            yield _Bar(bar)
