"""Reading into places that fsspec reaches: the same files as in a folder, of however many batches."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

import pytest

from miner.means import Means
from miner.pgn import batches
from miner.read.stage import read
from miner.settings import ReadSettings, TallySettings
from miner.store import Store
from miner.store.places import Remote, located
from miner.tally.stage import tally
from tests.reading import game_text

pytest.importorskip("fsspec", reason="fsspec is not installed (the extra `remote`)")

GAMES = [
    game_text("1. e4 e5 2. Nf3 Nc6" if number % 3 else "1. d4 d5", Site=sha256(bytes(number)).hexdigest())
    for number in range(160)
]


@pytest.mark.parametrize("kind", ["memory", "s3"])
def test_batches_are_those_of_a_folder(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    """Read by several processes and tallied, under the same salt: each file has the same digest."""
    monkeypatch.setattr(batches, "BATCH_BYTES", 4 << 10)
    (tmp_path / "games").mkdir()
    for number in range(5):
        (tmp_path / "games" / f"{number}.pgn").write_text("".join(GAMES[number::5]), encoding="utf-8")
    url = request.getfixturevalue("bucket") if kind == "s3" else f"memory://{tmp_path.name}"
    here, there = Store.create(tmp_path / "store"), located(url)
    assert isinstance(there, Remote)
    there.mkdir(parents=True)
    (there / "salt").create(here.salt)

    for store in (here, Store.create(there)):
        read([str(tmp_path / "games")], store, ReadSettings(), Means(processes=2))
        tally(store, TallySettings())

    for stage in ("read", "tally"):
        manifest = Store.open(there).require(stage)
        assert manifest.digests == here.require(stage).digests
        assert here.missing_files(manifest) == Store.open(there).missing_files(manifest) == []
    assert len(here.files("moves")) > 3
    assert Store.open(there).faults() == []
