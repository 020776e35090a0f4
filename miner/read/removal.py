"""Taking games out of a store: which files are written anew, and what comes back."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from miner.arrays import Flags
from miner.errors import Place, StoreError, UsageError
from miner.means import USUAL, Means, ReaderName
from miner.pgn.batches import BATCH_BYTES, Batch, Piece, Span, texts_of
from miner.pgn.decode import make_reader
from miner.pgn.ledger import Answer, BatchReader, ledger_table, moves_table, sorted_moves
from miner.pgn.split import one_line_end
from miner.read.contents import Contents, KnownSource, Revision
from miner.read.forgotten import Forgotten
from miner.read.known import unchanged
from miner.schema import GAMES, KEPT, MOVES
from miner.settings import ReadSettings, as_dict, settings_of
from miner.store import Manifest, Store, StoreChange

Numbers = npt.NDArray[np.int64]


def remove(named: Sequence[str], store: Store, means: Means = USUAL) -> Manifest:
    """Take the games of sources out of a store, as if they had never been read.

    A source is told by the name it was read by, by its path, by the folder it lies in, or by its file's name
    if no other has that; it need not be there any more. Games of other sources that were set aside because
    these had them first are read again from their sources, which must be there as they were.

    Raises UsageError for a name that stands for no source of the store, SourceError for a source that is
    needed and missing or changed, StoreError if the store was not read into yet or a file is damaged; all of
    them before anything is touched.
    """
    with store.writing():
        manifest = store.require_whole("read")
        settings = settings_of({"read": manifest.settings}).read
        contents = Contents.of(store, manifest)
        dropped = {number for name in named for number in _numbers_of(name, contents.sources, store)}
        with store.changing() as change:
            left = without(store, change, contents, dropped, settings, means.reader)
            return change.commit(left.manifest(as_dict(settings)))


def _numbers_of(name: str, sources: Sequence[KnownSource], store: Store) -> set[int]:
    """The sources that a name stands for."""
    place = Path(name).resolve()
    by_path = {
        number
        for number, one in enumerate(sources)
        if one.name == name or (one.place and Path(one.place).is_relative_to(place))
    }
    if by_path:
        return by_path
    by_file = {number for number, one in enumerate(sources) if one.digest["name"] == name}
    if len(by_file) == 1:
        return by_file
    if by_file:
        raise UsageError(
            f"{len(by_file)} sources in the store have this file name",
            where=Place(name),
            advice="name the one that is meant by its path",
        )
    raise UsageError(
        "no source of that name was read into the store",
        where=Place(name),
        advice=f"`miner status --store {store.root}` lists those that were",
    )


def without(
    store: Store,
    change: StoreChange,
    contents: Contents,
    dropped: Collection[int],
    settings: ReadSettings,
    reader: ReaderName,
) -> Contents:
    """What a store holds once sources, by their numbers, are taken out of it by a change.

    Raises SourceError if the source of a game that comes back is missing or changed, StoreError for a damaged
    file.
    """
    gone = [contents.sources[number] for number in sorted(dropped)]
    left = tuple(one for number, one in enumerate(contents.sources) if number not in dropped)
    revision = Revision(store, change, contents)
    touched = {
        number
        for number, (first, after) in contents.batches.items()
        if any(one.first_game < after and first < one.after for one in gone)
    }
    heirs = _heirs(revision, contents, gone, touched)
    back = _read_again(heirs, left, store, settings, reader)
    for number in sorted(touched | heirs.keys()):
        games, moves = revision.games(number), revision.moves(number)
        is_left = ~_is_of(_numbers(games), gone)
        if number in back:
            is_left &= ~np.isin(_numbers(games), _numbers(back[number].games))
        kept = games.filter(pa.array(is_left))
        if not kept.num_rows and number not in back:
            revision.put(number, kept, moves.slice(0, 0))
            continue
        moves = moves.filter(pc.is_in(moves["game"], value_set=kept["game"].combine_chunks()))
        if number in back:
            kept = pa.concat_tables([kept, back[number].games]).sort_by("game")
            moves = sorted_moves(pa.concat_tables([moves, back[number].moves]))
        revision.put(number, kept, moves)
    return revision.contents(left, contents.forgotten)


def _numbers(games: pa.Table) -> Numbers:
    return np.array(games["game"], dtype=np.int64)


def _is_of(games: Numbers, sources: Sequence[KnownSource]) -> Flags:
    """Which of the games, by their numbers, are of one of the sources."""
    found = np.zeros(len(games), dtype=np.bool_)
    for one in sources:
        found |= (games >= one.first_game) & (games < one.after)
    return found


def _heirs(
    revision: Revision, contents: Contents, gone: Sequence[KnownSource], touched: Collection[int]
) -> dict[int, pa.Table]:
    """The rows of games that are kept in the place of others that go, by their files.

    Of several equal games it is the first.
    """
    columns = ["game", "state", "signature"]
    lost = np.unique(
        np.concatenate(
            [np.empty(0, dtype=np.uint64)]
            + [_lost(revision.games(number, columns), gone) for number in touched]
        )
    )
    is_taken = np.zeros(len(lost), dtype=np.bool_)
    found: dict[int, pa.Table] = {}
    # In the order of the games, so that the first of each is met first.
    for number in sorted(contents.batches, key=lambda number: contents.batches[number]) if len(lost) else ():
        games = revision.games(number, columns)
        signatures = games["signature"].to_numpy()
        place = np.minimum(np.searchsorted(lost, signatures), len(lost) - 1)
        is_heir = (
            (lost[place] == signatures)
            & ~is_taken[place]
            & _is_state(games, ["duplicate"])
            & ~_is_of(_numbers(games), gone)
        )
        _, first = np.unique(signatures[is_heir], return_index=True)
        if len(first):
            rows = np.flatnonzero(is_heir)[np.sort(first)]
            is_taken[place[rows]] = True
            found[number] = revision.games(number).take(pa.array(rows))
    return found


def _lost(games: pa.Table, gone: Sequence[KnownSource]) -> npt.NDArray[np.uint64]:
    """The signatures of kept games that go; another game may be kept in their place."""
    signatures: npt.NDArray[np.uint64] = games["signature"].to_numpy()
    return signatures[_is_of(_numbers(games), gone) & _is_state(games, KEPT) & (signatures > 0)]


def _is_state(games: pa.Table, states: Sequence[str]) -> Flags:
    return np.array(pc.is_in(games["state"], value_set=pa.array(states, pa.string())))


@dataclass(frozen=True, slots=True)
class _Rows:
    """Rows of both tables."""

    games: pa.Table
    moves: pa.Table


def _read_again(
    heirs: dict[int, pa.Table],
    sources: Sequence[KnownSource],
    store: Store,
    settings: ReadSettings,
    reader: ReaderName,
) -> dict[int, _Rows]:
    """The rows of games that were set aside as repeated, read from their sources, by their files."""
    if not heirs:
        return {}
    batch_reader = BatchReader(settings, store.salt, make_reader(reader), Forgotten.of(store).identities)
    wanted = pa.concat_tables(heirs.values())
    read = [
        _rows(batch, rows, batch_reader)
        for source in sources
        if (of_source := wanted.filter(pa.array(_is_of(_numbers(wanted), [source])))).num_rows
        for batch, rows in _texts(source, of_source)
    ]
    games = pa.concat_tables([one.games for one in read])
    moves = pa.concat_tables([one.moves for one in read])
    return {
        number: _Rows(
            *(
                one.filter(pc.is_in(one["game"], value_set=rows["game"].combine_chunks()))
                for one in (games, moves)
            )
        )
        for number, rows in heirs.items()
    }


def _texts(known: KnownSource, rows: pa.Table) -> Iterator[tuple[Batch, pa.Table]]:
    """The texts of games of a source, each a piece of its own, in batches, with their rows."""
    row_of = {game: row for row, game in enumerate(rows["game"].to_pylist())}
    spans: dict[str, list[Span]] = {}
    columns = (rows[name].to_pylist() for name in ("source", "start_byte", "end_byte", "game"))
    for name, *span in zip(*columns, strict=True):
        spans.setdefault(name, []).append(Span(*span))
    names, starts = rows["source"].to_pylist(), rows["start_byte"].to_pylist()
    batch: Batch = []
    held: list[int] = []
    size = found = 0
    for game, text in texts_of(unchanged(known), spans):
        row = row_of[game]
        batch.append(Piece(names[row], one_line_end(text), starts[row]))
        held.append(row)
        size += len(text)
        found += 1
        if size >= BATCH_BYTES or found == rows.num_rows:
            yield batch, rows.take(pa.array(held))
            batch, held, size = [], [], 0
    if found < rows.num_rows:
        raise _not_alone(known.name)


def _rows(batch: Batch, set_aside: pa.Table, reader: BatchReader) -> _Rows:
    """The rows of games, each a piece of the batch, in the place of those that said they are repeated."""
    pending = reader.read(batch)
    ones = [1] * len(batch)
    answer = Answer(0, ones, ones, np.zeros(int(pending.is_kept.sum()), dtype=np.bool_))
    games = ledger_table(pending, answer)
    if not games["signature"].equals(set_aside["signature"]):
        raise _not_alone(batch[0].source)
    moves = moves_table(pending, answer)
    numbers = set_aside["game"].combine_chunks()
    for name in ("game", "number", "line"):
        games = _with(games, name, set_aside[name], GAMES)
    return _Rows(games, _with(moves, "game", numbers.take(moves["game"]), MOVES))


def _with(table: pa.Table, name: str, column: pa.ChunkedArray, schema: pa.Schema) -> pa.Table:
    return table.set_column(schema.get_field_index(name), schema.field(name), column)


def _not_alone(source: str) -> StoreError:
    return StoreError(
        "a repeated game cannot be read by itself",
        where=Place(source),
        advice="read the sources that are to stay into a new store",
    )
