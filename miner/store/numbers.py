"""The numbers that pupils are called by: a number that was given stays, and is given to nobody else.

They are kept in a file of the store, `pupils`: a line holds a number and the salted hash of the pupil's name,
or the number alone if the pupil was forgotten.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Self

from miner.errors import StoreError
from miner.store.change import replacing
from miner.store.places import Location
from miner.store.store import Store

_FILE = "pupils"
_LINE = re.compile(r"([1-9][0-9]{3,})(?: ([0-9a-f]{16}))?", re.ASCII)
_LEAST, _FEWEST = 1_000, 9_000  # numbers of four digits


@dataclass(frozen=True, kw_only=True, slots=True)
class PupilNumbers:
    """The numbers that a store has given so far."""

    given: Mapping[str, int] = field(default_factory=dict)  # by the salted hash of the name, 16 hex digits
    retired: frozenset[int] = frozenset()  # of pupils who were forgotten

    @classmethod
    def of(cls, store: Store) -> Self:
        """Those that the store keeps. Raises StoreError if the file is damaged."""
        path = store.root / _FILE
        try:
            lines = path.read_text(encoding="ascii").splitlines()
            found = {int(number): player for number, player in map(_read, lines)}
        except FileNotFoundError:
            return cls()
        except ValueError as error:
            raise _damaged(path) from error
        given = {player: number for number, player in found.items() if player}
        retired = frozenset(number for number, player in found.items() if not player)
        if not len(given) + len(retired) == len(found) == len(lines):
            raise _damaged(path)
        return cls(given=given, retired=retired)

    def with_newcomers(self, players: Iterable[str]) -> Self:
        """With a number for each of the players who has none yet, which nobody had before.

        It comes from the hash, or is the next that is free. While few are given they have four digits, later
        one more, so that there is always one.
        """
        given, taken = dict(self.given), {*self.given.values(), *self.retired}
        for player in sorted(set(players) - given.keys()):
            given[player] = _free_number(player, taken)
            taken.add(given[player])
        return replace(self, given=given)

    def without(self, player: str) -> Self:
        """Without a player; the number stays taken, since older pages may hold it."""
        given = dict(self.given)
        return replace(self, retired=self.retired | {given.pop(player)}, given=given)

    def write(self, folder: Location) -> None:
        """Write the file into the store's folder, or into that of a change; for its owner only."""
        lines = [(number, f"{number} {player}") for player, number in self.given.items()]
        lines += [(number, str(number)) for number in self.retired]
        with replacing(folder / _FILE) as unfinished:
            unfinished.touch(mode=0o600)
            unfinished.write_text("".join(f"{line}\n" for _, line in sorted(lines)), encoding="ascii")


def _read(line: str) -> tuple[str, str]:
    found = _LINE.fullmatch(line)
    if not found:
        raise ValueError("no number and hash")
    return found[1], found[2] or ""


def _free_number(player: str, taken: Collection[int]) -> int:
    count, least = _FEWEST, _LEAST
    while 2 * len(taken) >= count:
        count, least = 10 * count, 10 * least
    code = int(player, 16) % count
    while least + code in taken:
        code = (code + 1) % count
    return least + code


def _damaged(path: Location) -> StoreError:
    return StoreError(
        "the list of the pupils' numbers is damaged",
        where=path,
        advice="put it back from a copy; if you delete it, pupils may get other numbers than before",
    )
