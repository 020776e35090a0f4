"""Games in halves, of which one is mined; for the benchmarks that ask the other."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from miner.bars import Bars
from miner.curve.fit import Curves
from miner.distribution import with_extra
from miner.engine.identity import find_engine
from miner.finding.finding import is_losing
from miner.judge.stage import judge
from miner.means import Means
from miner.rank.stage import rank
from miner.read.stage import read
from miner.settings import JudgeSettings, RankSettings, ReadSettings, TallySettings, settings_of
from miner.store import Store
from miner.store.query import create_views
from miner.tally.stage import tally
from miner.terms import BandScheme

CONFIDENCE = 0.9
LONG = b" 11."  # a game that goes on to here is not repeated move by move by chance


@dataclass(frozen=True, slots=True)
class Halves:
    """What was mined on the first half, and the moves of the second in the same positions."""

    mined: Store
    held_out: Store
    bands: BandScheme
    curves: Curves
    judged: pd.DataFrame  # with `losing`

    @classmethod
    def of(cls, mined: Store, held_out: Store) -> Halves:
        """Of a ranked store, and one that was read into."""
        bands = mined.bands
        judged = mined.read_table("judged").to_pandas()
        judged["losing"] = is_losing(judged, settings_of({"rank": mined.require("rank").settings}).rank)
        return cls(mined, held_out, bands, Curves.from_table(mined.read_table("curves")), judged)


def mine(
    files: Sequence[Path],
    folder: Path,
    tallying: TallySettings,
    judging: JudgeSettings,
    cache: Path,
    *,
    both: bool = False,
) -> list[Halves]:
    """The first file's games mined and the second's read; with `both`, also the other way round.

    The stores stay in the folder.
    """
    stores = [Store.create(folder / name) for name in ("first", "second")]
    for file, store in zip(files, stores, strict=True):
        read([str(file)], store, ReadSettings(), Means(progress=Bars()))
    ranking = RankSettings(loss_threshold=judging.loss_threshold, tempo_threshold=judging.tempo_threshold)
    for store in stores if both else stores[:1]:
        tally(store, tallying, Means(progress=Bars()))
        judge(store, judging, Means(engine=find_engine(), cache=cache, progress=Bars()))
        rank(store, ranking, Means(progress=Bars()))
    ways = [stores, stores[::-1]] if both else [stores]
    return [Halves.of(*way) for way in ways]


def leave_out_copies(first: Path, second: Path) -> int:
    """Take the games out of the second file whose moves are in the first; how many they were."""
    seen = {_moves_of(text) for text in _texts(first)}
    texts = _texts(second)
    kept = [text for text in texts if LONG not in (moves := _moves_of(text)) or moves not in seen]
    second.write_bytes(b"".join(kept))
    return len(texts) - len(kept)


def _texts(file: Path) -> list[bytes]:
    return [text for text in re.split(rb"(?m)^(?=\[Event )", file.read_bytes()) if text]


def _moves_of(text: bytes) -> bytes:
    return b" ".join(re.sub(rb"(?m)^\[.*$", b"", text).split())


def moves_in(store: Store, keys: Sequence[int] | pd.Series[Any], bands: BandScheme) -> pd.DataFrame:
    """The moves that a store's games have in some positions.

    Columns: game, key, move, rating, gap (the mover's rating less the opponent's; null: not known), score,
    band.
    """
    wanted = pd.DataFrame({"key": np.unique(np.asarray(keys, dtype=np.uint64))})
    with duckdb.connect() as connection:
        create_views(connection, store.path("moves"), store.path("games"))
        connection.register("wanted", wanted)
        found: pd.DataFrame = connection.sql(
            """
            select game, key, move, rating, rating - nullif(rating_other, 0)::int as gap, score / 2.0 as score
            from movers semi join wanted using (key) order by game, ply
            """
        ).df()
    names = np.array(bands.names)[bands.places_of(found["rating"].to_numpy())]
    return found.assign(band=names, gap=found["gap"].where(found["rating"] > 0))


def draw(file: Path, fill: Callable[[Any], None]) -> None:
    """A figure with one pair of axes."""
    try:
        import_module("matplotlib").use("agg")
        plt = import_module("matplotlib.pyplot")
    except ImportError as error:
        raise SystemExit(f"the figures need matplotlib: {with_extra('plots')}") from error
    figure, axes = plt.subplots(figsize=(6.5, 5.5), layout="constrained")
    fill(axes)
    figure.savefig(file, dpi=120)
    plt.close(figure)
    print(f"drawn: {file}")
