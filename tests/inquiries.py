"""What an inquiry finds out where a function answers its requests."""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import TypeVar

from miner.engine.verdicts import Answer, Request

Found = TypeVar("Found")


def heard(
    inquiry: Generator[list[Request], list[Answer], Found], answer: Callable[[Request], Answer]
) -> Found:
    """The result of an inquiry, each of its requests answered as it comes."""
    try:
        requests = next(inquiry)
        while True:
            requests = inquiry.send([answer(request) for request in requests])
    except StopIteration as end:
        found: Found = end.value
        return found
