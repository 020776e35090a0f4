"""Players whose games a store is not to know: taken out of its tables, and passed over by the reader.

What is kept of such a player is the salted hash alone, in a file of its own beside the salt.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from miner.arrays import Flags
from miner.errors import Place, StoreError, UsageError
from miner.pgn.ledger import Rows, blanked
from miner.pgn.players import Players
from miner.read.contents import Contents, Revision
from miner.settings import settings_of
from miner.store import Manifest, Store, replacing
from miner.store.places import Location

_FILE = "forgotten"


@dataclass(frozen=True, slots=True)
class Forgotten:
    """The forgotten players of a store."""

    identities: frozenset[int] = frozenset()  # as in `players.Player`

    @classmethod
    def of(cls, store: Store) -> Forgotten:
        """Those that the store's list names.

        Raises StoreError if it is damaged.
        """
        path = store.root / _FILE
        try:
            return cls(frozenset(int(line, 16) for line in path.read_text(encoding="ascii").split()))
        except FileNotFoundError:
            return cls()
        except ValueError as error:
            raise StoreError(
                "the list of forgotten players is damaged",
                where=Place(str(path)),
                advice="take it from a copy; without it their games come back",
            ) from error

    @property
    def text(self) -> str:
        """The list as it is kept: one hash a line."""
        return "".join(f"{identity:016x}\n" for identity in sorted(self.identities))

    @property
    def digest(self) -> str:
        """SHA-256 of the list; empty: nobody is forgotten."""
        return hashlib.sha256(self.text.encode("ascii")).hexdigest() if self.identities else ""

    def write(self, folder: Location) -> None:
        """Write the list, for its owner only."""
        with replacing(folder / _FILE) as unfinished:
            unfinished.touch(mode=0o600)
            unfinished.write_text(self.text, encoding="ascii")


def forget(player: str, store: Store) -> tuple[Manifest, int]:
    """Take all games of a player out of a store, for good; the manifest, and how many games these were.

    The rows that are left say that there were games, and nothing else of them. The tables of all later stages
    go, if there were any, since they tell of single games: model games, plans, counts of rare replies.
    Reading the same sources again does not bring the games back.

    Raises UsageError for a name that stands for nobody, or a store that keeps nothing of names, StoreError if
    it was not read into yet or a file is damaged. No message tells the name.
    """
    with store.writing():
        manifest = store.require_whole("read")
        names = settings_of({"read": manifest.settings}).read.names
        if names == "drop":
            raise UsageError(
                "this store keeps nothing of names (names = drop), so nobody's games can be told in it",
                where=Place(str(store.root)),
                advice="take the player's games out of the sources, and read these into a new store",
            )
        players = Players(store.salt, names)
        identity = players.player(player).identity
        if not identity:
            raise UsageError(
                "this name stands for players who are not known", advice="give the name as in the games"
            )

        def is_wanted(shown: str) -> bool:
            return (int(shown, 16) if names == "hash" else players.player(shown).identity) == identity

        contents = Contents.of(store, manifest)
        forgotten = Forgotten(Forgotten.of(store).identities | {identity})
        # What a killed run left on the disk may tell of players, too: the scratch folder is cleared.
        with store.scratch(), store.changing() as change:
            revision = Revision(store, change, contents)
            games = sum(_forget_in(revision, number, is_wanted) for number in contents.batches)
            forgotten.write(change.folder)
            if games:
                change.take_out_later_stages()
            left = replace(revision.contents(), forgotten=forgotten.digest)
            return change.commit(left.manifest(manifest.settings)), games


def _forget_in(revision: Revision, number: int, is_wanted: Callable[[str], bool]) -> int:
    """Forget a player's games in a file; how many there were."""
    games = revision.games(number)
    is_forgotten = _is_of(games["white"], is_wanted) | _is_of(games["black"], is_wanted)
    if is_forgotten.any():
        lost = games["game"].filter(pa.array(is_forgotten))
        moves = revision.moves(number)
        kept = moves.filter(pc.invert(pc.is_in(moves["game"], value_set=lost.combine_chunks())))
        revision.put(number, Rows(blanked(games, is_forgotten), kept))
    return int(is_forgotten.sum())


def _is_of(shown: pa.ChunkedArray, wanted: Callable[[str], bool]) -> Flags:
    """Which of the players, as the table shows them, is wanted."""
    fits = [text for text in shown.unique().to_pylist() if text and wanted(text)]
    return np.array(pc.is_in(shown, value_set=pa.array(fits, pa.string())))
