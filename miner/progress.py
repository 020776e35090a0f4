"""How long work reports what is done: a small interface that the command line fills with bars."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol


class Task(Protocol):
    """One piece of long work."""

    def advance(self, amount: int = 1) -> None:
        """`amount` more units are done."""

    def facts(self, text: str) -> None:
        """Show a short text beside the bar, such as `41,000 games/s`."""


class Progress(Protocol):
    """Where long work reports to."""

    @property
    def is_watched(self) -> bool:
        """Whether anybody sees what is noted: else it need not be found out."""

    def note(self, text: str) -> None:
        """Tell something before long work begins, such as how long it may take."""

    def task(self, what: str, *, total: int | None, unit: str) -> AbstractContextManager[Task]:
        """Begin a piece of work of `total` units (None: not known); unit `B` means bytes."""


class Silent:
    """Progress, and the tasks of it, that nobody watches."""

    is_watched = False

    @contextmanager
    def task(self, what: str, *, total: int | None, unit: str) -> Iterator[Task]:  # noqa: ARG002 - the interface's names
        """A task that says nothing."""
        yield self

    def note(self, text: str) -> None:
        """Nothing is told."""

    def advance(self, amount: int = 1) -> None:
        """Nothing is shown."""

    def facts(self, text: str) -> None:
        """Nothing is shown."""
