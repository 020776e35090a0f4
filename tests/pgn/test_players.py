from __future__ import annotations

import hashlib

from hypothesis import given
from hypothesis import strategies as st

from miner.pgn.players import Players

BLOCK = 64  # bytes that SHA-256 takes at a time


def by_definition(salt: bytes, message: bytes) -> bytes:
    """HMAC-SHA256 as RFC 2104 defines it, of a salt no longer than a block."""
    inner, outer = (bytes(byte ^ pad for byte in salt.ljust(BLOCK, b"\0")) for pad in (0x36, 0x5C))
    return hashlib.sha256(outer + hashlib.sha256(inner + message).digest()).digest()


@given(
    name=st.text("abcdefgh äöé'", min_size=1).map(lambda rest: f"Player {rest}".rstrip()),
    salt=st.binary(min_size=1, max_size=BLOCK),
)
def test_hash_is_that_of_the_definition(name: str, salt: bytes) -> None:
    """Stores that were read by earlier versions hold the same hashes, whoever computes them."""
    digest = by_definition(salt, " ".join(name.lower().split()).encode())

    player = Players(salt, "hash").player(name)

    assert player.shown == digest[:8].hex()
    assert player.number == max(1, int.from_bytes(digest[:4], "big"))
    assert player.identity == max(1, int.from_bytes(digest[:8], "big"))
