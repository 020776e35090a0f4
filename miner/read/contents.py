"""Which games of a store are whose, in which files they are, and how those files are changed."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from miner.arrays import Hashes
from miner.errors import Place, StoreError
from miner.pgn.ledger import LedgerRows, count_states
from miner.pgn.sources import Source, SourceDigest
from miner.pgn.text import values_of
from miner.schema import LEDGER_STATES
from miner.store import FOLDERS, Manifest, Store, StoreChange, replacing, write_parquet
from miner.store.places import Location

_ROW_GROUP = 1 << 17
_LIST = "forgotten"  # the file that names players


@dataclass(frozen=True, kw_only=True, slots=True)
class KnownSource:
    """A source that the store was read from."""

    name: str  # as it was named, or the path found in a folder
    place: str  # path of the file; empty: standard input
    stamp: list[int] | None  # of the file when it was hashed; None: tells nothing
    first_game: int  # number in the store of its first game
    games: int
    skipped: int  # lines that are no game
    digest: SourceDigest = field(default_factory=dict)

    @property
    def after(self) -> int:
        """The number that follows that of its last game."""
        return self.first_game + self.games

    @property
    def source(self) -> Source:
        """The source by the name that its games carry, wherever it is now."""
        return Source(self.name, Path(self.place) if self.place else None)


@dataclass(frozen=True, kw_only=True, slots=True)
class Contents:
    """All sources in the order of their games, and what became of the games."""

    sources: tuple[KnownSource, ...] = ()
    ledger: Counter[str] = field(default_factory=Counter)  # games in each state
    moves: int = 0  # rows
    batches: dict[int, tuple[int, int]] = field(default_factory=dict)  # by file: games from, up to
    digests: dict[str, str] = field(default_factory=dict)  # SHA-256 of each file, by its path in the store
    forgotten: str = ""  # SHA-256 of the list of forgotten players that was applied; empty: there is none
    salt_check: str = ""  # of the salt of the players' hashes, see `store.check_value`

    @classmethod
    def of(cls, store: Store, manifest: Manifest) -> Contents:
        """The contents as a manifest tells them.

        Raises StoreError if it is that of an earlier version of this program.
        """
        try:
            facts, inputs = manifest.facts, manifest.inputs
            return cls(
                sources=tuple(
                    KnownSource(**known, digest=digest)
                    for known, digest in zip(facts["sources"], inputs["sources"], strict=True)
                ),
                ledger=Counter(facts["ledger"]),
                moves=manifest.rows["moves"],
                batches={int(number): (first, after) for number, (first, after) in facts["batches"].items()},
                digests=manifest.digests,
                forgotten=facts.get("forgotten", ""),
                salt_check=facts.get("salt_check", ""),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise StoreError(
                "the manifest does not tell which games are whose",
                where=Place(str(store.root / "read.json")),
                advice="read the sources again: `miner read`",
            ) from error

    @property
    def next_game(self) -> int:
        """Number of the next game that is added."""
        return max((source.after for source in self.sources), default=0)

    @property
    def next_batch(self) -> int:
        """Number of the next file that is added."""
        return max(map(number_of, self.digests), default=-1) + 1

    def touched_by(self, sources: Sequence[KnownSource]) -> set[int]:
        """The numbers of the files that hold games of one of the sources."""
        return {
            number
            for number, (first, after) in self.batches.items()
            if any(source.first_game < after and first < source.after for source in sources)
        }

    def manifest(self, settings: dict[str, Any], *, games_read: int = 0, seconds: float = 0.0) -> Manifest:
        """The manifest that tells them; `games_read` in `seconds` by the last run."""
        games = self.ledger.total()
        return Manifest(
            stage="read",
            settings=settings,
            inputs={"sources": [source.digest for source in self.sources]},
            rows={"games": games, "moves": self.moves},
            facts={
                "ledger": {state: self.ledger[state] for state in LEDGER_STATES},
                "games": games,
                "skipped_lines": sum(source.skipped for source in self.sources),
                "games_read": games_read,
                "seconds": round(seconds, 3),
                "games_per_second": round(games_read / seconds) if seconds else 0,
                "sources": [
                    {name: value for name, value in asdict(source).items() if name != "digest"}
                    for source in self.sources
                ],
                "batches": {str(number): list(games) for number, games in sorted(self.batches.items())},
                "forgotten": self.forgotten,
                "salt_check": self.salt_check,
            },
            digests=self.digests,
        )

    def plus(self, other: Contents) -> Contents:
        """With what was added, whose games go on from these."""
        return replace(
            self,
            sources=self.sources + other.sources,
            ledger=self.ledger + other.ledger,
            moves=self.moves + other.moves,
            batches=self.batches | other.batches,
            digests=self.digests | other.digests,
        )


@dataclass(frozen=True, slots=True)
class Forgotten:
    """Players whose games a store is not to know: their salted hashes, in a file beside the salt."""

    identities: frozenset[int] = frozenset()  # as in `tags.Player`

    @classmethod
    def of(cls, store: Store) -> Forgotten:
        """Those that the store's list names. Raises StoreError if it is damaged."""
        path = store.root / _LIST
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
        with replacing(folder / _LIST) as unfinished:
            unfinished.touch(mode=0o600)
            unfinished.write_text(self.text, encoding="ascii")


def make_folders(root: Location) -> None:
    """Make the folders below `root` that batches are written to, if they are not there."""
    for table in FOLDERS:
        (root / table).mkdir(parents=True, exist_ok=True)


def file_of(table: str, number: int) -> str:
    """The file of a batch's rows of a table, by its path in the store."""
    return f"{table}/{number:06}.parquet"


def number_of(file: str) -> int:
    """The number of the batch that a file holds.

    >>> number_of("games/000012.parquet")
    12
    """
    return int(Path(file).stem)


def write_batch(root: Location, number: int, rows: LedgerRows, *, settled: bool = True) -> dict[str, str]:
    """Write the two files of a batch below `root`; their digests by their paths there.

    Not `settled`: the caller has them settled, see `miner.store.change.settling`.
    """
    names = [file_of(table, number) for table in FOLDERS]
    return {
        name: write_parquet(root / name, table, settled=settled, row_group_size=_ROW_GROUP)
        for name, table in zip(names, rows, strict=True)
    }


def signatures_in(change: StoreChange, files: Collection[str], games: int) -> Hashes:
    """The signatures of all games in a store's files of `games`, 8 bytes a game, in order; 0: not compared.

    They are those of the files as a change has them so far. Raises StoreError if one is missing or damaged.
    """
    found = np.zeros(games, dtype=np.uint64)
    at = 0
    for name in files:
        if name.startswith("games/"):
            signatures = values_of(change.read_file(name, ["signature"])["signature"])
            found[at : at + len(signatures)] = signatures
            at += len(signatures)
    found.sort()
    return found


class Revision:
    """A change of a store's files of games, and the contents that it leads to."""

    def __init__(self, store: Store, change: StoreChange, contents: Contents) -> None:
        self._store, self._change, self._before = store, change, contents
        self._batches, self._digests = dict(contents.batches), dict(contents.digests)
        self._ledger, self._moves = Counter(contents.ledger), contents.moves
        make_folders(change.folder)

    def games(self, number: int, columns: list[str] | None = None) -> pa.Table:
        """The rows of `games` of a file. Raises StoreError if it is missing or damaged."""
        return self._store.read_file(file_of("games", number), columns)

    def moves(self, number: int, columns: list[str] | None = None) -> pa.Table:
        """The rows of `moves` of a file. Raises StoreError if it is missing or damaged."""
        return self._store.read_file(file_of("moves", number), columns)

    def put(self, number: int, rows: LedgerRows) -> None:
        """Have a file hold these rows; none: have it go."""
        self._ledger -= count_states(self.games(number, ["state"]))
        self._moves += rows.moves.num_rows - self.moves(number, []).num_rows
        if rows.games.num_rows:
            self._ledger += count_states(rows.games)
            self._digests |= write_batch(self._change.folder, number, rows)
            return
        del self._batches[number]
        for name in (file_of(table, number) for table in FOLDERS):
            del self._digests[name]
            self._change.take_out(name)

    def contents(self) -> Contents:
        """The contents once the change is committed, of the same sources."""
        return replace(
            self._before,
            ledger=self._ledger,
            moves=self._moves,
            batches=self._batches,
            digests=self._digests,
        )
