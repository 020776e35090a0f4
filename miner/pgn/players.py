"""Players: salted hashes in the place of names, so that children's names need not be stored."""

from __future__ import annotations

import hmac
import unicodedata
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from miner.arrays import Hashes
from miner.pgn.text import Column
from miner.settings import Names

_UNKNOWN = ("", "?", "-", "anonymous", "unknown", "nn", "n.n.", "n. n.")
_CACHED = 40_000  # names; about 10 MB in each process


class Player(NamedTuple):
    """One player as the store tells of him or her."""

    shown: str  # what stands in `games`
    number: int  # what games are counted by, 32 bits; 0: not known
    identity: int  # 64 bits that tell players apart, also where nothing is shown; 0: not known


class PlayerColumn(NamedTuple):
    """The players of one side, game by game."""

    shown: pa.Array
    numbers: npt.NDArray[np.uint32]
    identities: Hashes


class Players:
    """Makes players of names, all with one salt."""

    def __init__(self, salt: bytes, names: Names) -> None:
        self._hmac = hmac.new(salt, digestmod="sha256")  # to be copied, which is sooner than to begin anew
        self._names = names
        self._known: dict[str, Player] = {}

    def player(self, name: str) -> Player:
        """The player of a White or Black tag.

        Spelling counts but for case and white space. The hash is HMAC-SHA256 with the store's salt: 16 hex
        digits of it, and 32 bits to count by, in `games`.
        """
        found = self._known.get(name)
        if found is None:
            if len(self._known) >= _CACHED:
                self._known.clear()
            found = self._known[name] = self._make(name)
        return found

    def column(self, names: Column) -> PlayerColumn:
        """The players of a column of names."""
        players = [self.player(name) for name in names.values]
        return PlayerColumn(
            Column([player.shown for player in players], names.codes).strings(),
            np.array([player.number for player in players], dtype=np.uint32)[names.codes],
            np.array([player.identity for player in players], dtype=np.uint64)[names.codes],
        )

    def _make(self, name: str) -> Player:
        plain = " ".join(unicodedata.normalize("NFC", name).lower().split())
        if plain in _UNKNOWN:
            return Player(name if self._names == "keep" else "", 0, 0)
        keyed = self._hmac.copy()
        keyed.update(plain.encode("utf-8", "surrogatepass"))
        digest = keyed.digest()
        number = max(1, int.from_bytes(digest[:4], "big"))
        identity = max(1, int.from_bytes(digest[:8], "big"))
        if self._names == "drop":
            return Player("", 0, identity)
        return Player(name if self._names == "keep" else digest[:8].hex(), number, identity)
