"""Players: salted hashes in the place of names, so that children's names need not be stored."""

from __future__ import annotations

import hashlib
import hmac
import unicodedata
from typing import NamedTuple

from miner.settings import Names

_UNKNOWN = ("", "?", "-", "anonymous", "unknown", "nn", "n.n.", "n. n.")
_CACHED = 200_000  # names; about 50 MB


class Player(NamedTuple):
    """One player as the store tells of him or her."""

    shown: str  # what stands in `games`
    number: int  # what stands in `moves`; 0: not known
    identity: bytes  # tells players apart, also where nothing is shown; empty: not known


class Players:
    """Makes players of names, all with one salt."""

    def __init__(self, salt: bytes, names: Names) -> None:
        self._salt = salt
        self._names = names
        self._known: dict[str, Player] = {}

    def player(self, name: str) -> Player:
        """The player of a White or Black tag.

        Spelling counts but for case and white space. The hash is HMAC-SHA256 with the store's salt: 16 hex
        digits of it in `games`, 32 bits of it in `moves`.
        """
        found = self._known.get(name)
        if found is None:
            if len(self._known) >= _CACHED:
                self._known.clear()
            found = self._known[name] = self._make(name)
        return found

    def _make(self, name: str) -> Player:
        plain = " ".join(unicodedata.normalize("NFC", name).lower().split())
        if plain in _UNKNOWN:
            return Player(name if self._names == "keep" else "", 0, b"")
        digest = hmac.new(self._salt, plain.encode("utf-8", "surrogatepass"), hashlib.sha256).digest()
        number = max(1, int.from_bytes(digest[:4], "big"))
        if self._names == "drop":
            return Player("", 0, digest[:8])
        return Player(name if self._names == "keep" else digest[:8].hex(), number, digest[:8])
