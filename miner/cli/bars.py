"""Progress bars on a terminal; silence elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from tqdm import tqdm

from miner.progress import Task


class _Bar:
    def __init__(self, bar: tqdm[Any]) -> None:
        self._bar = bar

    def advance(self, amount: int = 1) -> None:
        self._bar.update(amount)

    def facts(self, text: str) -> None:
        self._bar.set_postfix_str(text, refresh=False)


class Bars:
    """Progress that a person watches."""

    @contextmanager
    def task(self, what: str, *, total: int | None, unit: str) -> Iterator[Task]:
        """A bar with the share done, the rate and the time left."""
        is_bytes = unit == "B"
        bar: tqdm[Any]
        with tqdm(
            desc=f"{what:<10}",
            total=total,
            unit=unit if is_bytes else f" {unit}",
            unit_scale=is_bytes,
            unit_divisor=1024 if is_bytes else 1000,
            disable=None,  # no bar where standard error is not a terminal
            dynamic_ncols=True,
        ) as bar:
            yield _Bar(bar)
