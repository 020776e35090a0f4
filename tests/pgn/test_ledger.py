from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from miner.pgn.ledger import Seen


@given(batches=st.lists(st.lists(st.integers(0, 20), max_size=12), max_size=12))
def test_each_signature_is_new_once(batches: list[list[int]]) -> None:
    """A game is repeated if its signature came before, in its batch or an earlier one; 0 never is."""
    seen, known = Seen(), set[int]()

    for batch in batches:
        found = seen.add(np.array(batch, dtype=np.uint64)).tolist()

        expected = []
        for signature in batch:
            expected.append(signature in known and signature != 0)
            known.add(signature)
        assert found == expected
