"""The numbers of pupils: theirs alone, for good."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.errors import StoreError
from miner.store import Store
from miner.store.numbers import PupilNumbers
from tests.stores import here

CROWDED = st.integers(0, 40).map(lambda child: f"{child % 3 + 9_000 * child:016x}")
"""Hashes of few children, who would nearly all have one of three numbers."""
SEASON = st.tuples(st.sets(CROWDED, max_size=12), st.sets(CROWDED, max_size=3))
"""Who plays, and who is forgotten at its end."""


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return Store.create(tmp_path_factory.mktemp("numbers") / "store")


@given(st.lists(SEASON, max_size=8))
def test_number_is_one_childs_for_good(store: Store, seasons: list[tuple[set[str], set[str]]]) -> None:
    """Whoever comes, goes or is forgotten: no number changes, and none is ever given to a second child."""
    PupilNumbers().write(store.root)
    first_owner: dict[int, tuple[str, int]] = {}
    forgotten = dict.fromkeys((f"{child % 3 + 9_000 * child:016x}" for child in range(41)), 0)

    for players, leaving in seasons:
        before = PupilNumbers.of(store)
        numbers = before.with_newcomers(players)

        assert numbers.given.items() >= before.given.items()
        assert numbers.given.keys() == before.given.keys() | players
        for child, number in numbers.given.items():
            # A child who comes back after having been forgotten is another one.
            assert first_owner.setdefault(number, (child, forgotten[child])) == (child, forgotten[child])
        for child in leaving & numbers.given.keys():
            numbers = numbers.without(child)
            forgotten[child] += 1
        numbers.write(store.root)
        assert PupilNumbers.of(store) == numbers


def test_no_two_children_of_any_club_share_a_number() -> None:
    """In 200 clubs of 100 children, to whom 20 come each season for four seasons; and all numbers stay."""
    hashes = random.Random(4).randbytes
    shared = changed = 0
    for _ in range(200):
        numbers = PupilNumbers()
        for season in range(5):
            before = numbers.given
            newcomers = [hashes(8).hex() for _ in range(20 if season else 100)]
            numbers = numbers.with_newcomers(newcomers)
            shared += len(numbers.given) - len(set(numbers.given.values()))
            changed += any(numbers.given[child] != number for child, number in before.items())

    assert (shared, changed) == (0, 0)


def test_numbers_have_four_digits_while_they_last() -> None:
    """Then one more, so that nobody is turned away."""
    children = [f"{child:016x}" for child in range(6_000)]

    few = PupilNumbers().with_newcomers(children[:4_500])
    many = few.with_newcomers(children)

    assert {len(str(number)) for number in few.given.values()} == {4}
    assert {len(str(number)) for number in many.given.values()} == {4, 5}
    assert len(set(many.given.values())) == 6_000


def test_same_numbers_in_any_order() -> None:
    """Of newcomers who come together the order does not matter: the greater hash takes the next number."""
    children = [f"{9_000 + 5:016x}", f"{5:016x}"]

    numbers = [PupilNumbers().with_newcomers(order).given for order in (children, children[::-1])]

    assert numbers == 2 * [{children[1]: 1005, children[0]: 1006}]


@pytest.mark.parametrize(
    "text",
    [
        "4172\n4172 0123456789abcdef\n",
        "4172 0123456789abcdef\n4173 0123456789abcdef\n",
        "172 0123456789abcdef\n",
        "4172 0123456789abc\n",
        "\n",
        "4172 \u00e4\n",
    ],
)
def test_damaged_file(tmp_path: Path, text: str) -> None:
    """It is told, and no number is guessed."""
    store = Store.create(tmp_path / "store")
    here(store.root / "pupils").write_text(text, encoding="utf-8")

    with pytest.raises(StoreError, match="numbers is damaged; put it back from a copy"):
        PupilNumbers.of(store)


def test_file_is_its_owners(tmp_path: Path) -> None:
    """Nobody else on the machine reads it; it holds no more than numbers and hashes."""
    store = Store.create(tmp_path / "store")
    numbers = PupilNumbers().with_newcomers(["0123456789abcdef", "ffffffffffffffff"])

    numbers.without("ffffffffffffffff").write(store.root)

    file = here(store.root / "pupils")
    assert file.stat().st_mode & 0o077 == 0
    assert sorted(map(len, file.read_text(encoding="ascii").split())) == [4, 4, 16]
