"""The examples in the docstrings are so."""

from __future__ import annotations

import doctest
import pkgutil
from importlib import import_module

import pytest

import miner

MODULES = [
    module.name
    for module in pkgutil.walk_packages(miner.__path__, "miner.")
    if not module.name.endswith("__main__")
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_of_a_module(name: str) -> None:
    """Each example gives what stands below it."""
    assert doctest.testmod(import_module(name)).failed == 0


def test_there_are_examples() -> None:
    """So that the test above has something to check."""
    examples = [name for name in MODULES if doctest.testmod(import_module(name)).attempted]

    assert {"miner.terms", "miner.finding.words", "miner.export.epd"} <= set(examples)
