"""Taking games out of a store: those of sources, in whose place others come back, and those of players."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from miner.arrays import Flags, Hashes
from miner.errors import Place, StoreError, UsageError
from miner.means import USUAL, Means, ReaderName
from miner.pgn.batches import Piece, Span, in_batches, texts_of
from miner.pgn.ledger import BatchReader, EarlierGames, LedgerRows, TextPlace, blanked, sorted_moves
from miner.pgn.readers import make_reader
from miner.pgn.split import one_line_end, unindented
from miner.pgn.tags import Players
from miner.read.contents import Contents, Forgotten, KnownSource, Revision
from miner.read.known import unchanged
from miner.schema import GAMES, KEPT, MOVES
from miner.settings import ReadSettings, as_dict, settings_of
from miner.store import Manifest, Store, StoreChange
from miner.store.numbers import PupilNumbers


def remove(named: Sequence[str], store: Store, means: Means = USUAL) -> Manifest:
    """Take the games of sources out of a store, as if they had never been read.

    A source is named as it was read, by its path, by the folder it lies in, or by its file's name
    if no other has that; it need not be there any more. Games of other sources that were set aside because
    these had them first are read again from their sources, which must be there as they were. Does nothing if
    taking out the same ones was the last change of the store's games.

    Raises UsageError for a name that stands for several sources, SourceError for a source that is needed and
    missing or changed, StoreError for a name that stands for none, if the store was not read into yet or a
    file is damaged; all of them before anything is touched.
    """
    with store.writing():
        manifest = store.require_whole("read")
        settings = settings_of({"read": manifest.settings}).read
        contents = Contents.of(store, manifest)
        taken_out = _digest_of_names(named, store)
        is_there = any(_named(name, contents.sources) for name in named)
        if manifest.facts.get("taken_out") == taken_out and not is_there:
            return manifest  # what comes after it was cut off
        dropped = {number for name in named for number in _numbers_of(name, contents, store)}
        with store.changing() as change:
            left = without(store, change, contents, dropped, settings, means.reader)
            removed = left.manifest(as_dict(settings))
            return change.commit(replace(removed, facts=removed.facts | {"taken_out": taken_out}))


def _digest_of_names(named: Sequence[str], store: Store) -> str:
    """What tells the names again and does not give them away: a source that went is to be named nowhere."""
    return hashlib.sha256(
        store.salt + "\n".join(sorted(named)).encode("utf-8", "surrogateescape")
    ).hexdigest()


def _numbers_of(name: str, contents: Contents, store: Store) -> set[int]:
    numbers = _named(name, contents.sources)
    if not numbers:
        raise StoreError(
            "no source of that name was read into the store",
            where=Place(name),
            advice=f"`miner status --store {store.root}` lists those that were",
        )
    return numbers


def _named(name: str, sources: Sequence[KnownSource]) -> set[int]:
    place = Path(name).resolve()
    by_path = {
        number
        for number, source in enumerate(sources)
        if source.name == name or (source.place and Path(source.place).is_relative_to(place))
    }
    by_file = {number for number, source in enumerate(sources) if source.digest["name"] == name}
    if by_path or len(by_file) == 1:
        return by_path or by_file
    if by_file:
        raise UsageError(
            f"{len(by_file)} sources in the store have this file name",
            where=Place(name),
            advice="name the one that is meant by its path",
        )
    return set()


def without(
    store: Store,
    change: StoreChange,
    contents: Contents,
    dropped: Collection[int],
    settings: ReadSettings,
    reader: ReaderName,
) -> Contents:
    """The contents of a store once sources, by their numbers, are taken out of it by a change.

    Raises SourceError if the source of a game that comes back is missing or changed, StoreError for a damaged
    file.
    """
    gone = [contents.sources[number] for number in sorted(dropped)]
    left = tuple(source for number, source in enumerate(contents.sources) if number not in dropped)
    revision = Revision(store, change, contents)
    touched = contents.touched_by(gone)
    returning = _returning(revision, contents, gone, touched)
    back = _read_again(returning, left, store, settings, reader)
    for number in sorted(touched | returning.keys()):
        games, moves = revision.games(number), revision.moves(number)
        is_left = ~_is_of(games, gone)
        if number in returning:
            is_left &= ~_is_in(games, returning[number])
        games = games.filter(pa.array(is_left))
        moves = moves.filter(pa.array(_is_in(moves, games))) if games.num_rows else moves.slice(0, 0)
        if number in returning:
            back_games, back_moves = (rows.filter(pa.array(_is_in(rows, returning[number]))) for rows in back)
            games = pa.concat_tables([games, back_games]).sort_by("game")
            moves = sorted_moves(pa.concat_tables([moves, back_moves]))
        revision.put(number, LedgerRows(games, moves))
    return replace(revision.contents(), sources=left)


def _is_of(games: pa.Table, sources: Sequence[KnownSource]) -> Flags:
    numbers = np.array(games["game"], dtype=np.int64)
    found = np.zeros(len(numbers), dtype=np.bool_)
    for source in sources:
        found |= (numbers >= source.first_game) & (numbers < source.after)
    return found


def _is_in(rows: pa.Table, games: pa.Table) -> Flags:
    return np.array(pc.is_in(rows["game"], value_set=games["game"].combine_chunks()))


def _is_state(games: pa.Table, states: Sequence[str]) -> Flags:
    return np.array(pc.is_in(games["state"], value_set=pa.array(states, pa.string())))


def _returning(
    revision: Revision, contents: Contents, gone: Sequence[KnownSource], touched: Collection[int]
) -> dict[int, pa.Table]:
    """The rows of games that were set aside for others that go, and are kept now, by their files.

    Of several equal games it is the first.
    """
    columns = ["game", "state", "signature"]
    signatures = [_kept_signatures(revision.games(number, columns), gone) for number in touched]
    lost = np.unique(np.concatenate([np.empty(0, dtype=np.uint64), *signatures]))
    is_taken = np.zeros(len(lost), dtype=np.bool_)
    found: dict[int, pa.Table] = {}
    # In the order of the games, so that the first of each is met first.
    for number in sorted(contents.batches, key=lambda number: contents.batches[number]) if len(lost) else ():
        games = revision.games(number, columns)
        of_games = games["signature"].to_numpy()
        place = np.minimum(np.searchsorted(lost, of_games), len(lost) - 1)
        is_back = (lost[place] == of_games) & ~is_taken[place]
        is_back &= _is_state(games, ["duplicate"]) & ~_is_of(games, gone)
        _, first = np.unique(of_games[is_back], return_index=True)
        if len(first):
            rows = np.flatnonzero(is_back)[np.sort(first)]
            is_taken[place[rows]] = True
            found[number] = revision.games(number).take(pa.array(rows))
    return found


def _kept_signatures(games: pa.Table, sources: Sequence[KnownSource]) -> Hashes:
    """The signatures of kept games of the sources, but for games that are never compared."""
    signatures: Hashes = games["signature"].to_numpy()
    return signatures[_is_of(games, sources) & _is_state(games, KEPT) & (signatures > 0)]


def _read_again(
    returning: dict[int, pa.Table],
    sources: Sequence[KnownSource],
    store: Store,
    settings: ReadSettings,
    reader: ReaderName,
) -> LedgerRows:
    """The rows of games that were set aside as repeated, read from their sources."""
    batch_reader = BatchReader(settings, store.salt, make_reader(reader), Forgotten.of(store).identities)
    games = pa.concat_tables([GAMES.empty_table(), *returning.values()])
    read = [LedgerRows(GAMES.empty_table(), MOVES.empty_table())]
    for source in sources:
        of_source = games.filter(pa.array(_is_of(games, [source])))
        if of_source.num_rows:
            read += _rows_of(source, of_source, batch_reader)
    return LedgerRows(*(pa.concat_tables(tables) for tables in zip(*read, strict=True)))


def _rows_of(known: KnownSource, games: pa.Table, reader: BatchReader) -> Iterator[LedgerRows]:
    """The rows of games of a source in the place of those that said they are repeated, some at a time."""
    names, *columns = (games[name].to_pylist() for name in ("source", "start_byte", "end_byte"))
    spans: dict[str, list[Span]] = {}
    for row, (name, start, end) in enumerate(zip(names, *columns, strict=True)):
        spans.setdefault(name, []).append(Span(start, end, row))
    read: list[int] = []

    def pieces() -> Iterator[Piece]:
        """Each game by itself."""
        for row, text in texts_of(unchanged(known), spans):
            read.append(row)
            yield Piece(names[row], unindented(one_line_end(text)), begins_text=False)

    done = 0
    for batch in in_batches(pieces()):
        pending = reader.read(batch)
        set_aside = games.take(pa.array(read[done : done + len(batch)]))
        done += len(batch)
        firsts = (set_aside[name].to_pylist() for name in ("number", "line", "start_byte"))
        begins = [TextPlace(*first) for first in zip(*firsts, strict=True)]
        is_duplicate = np.zeros(len(pending.signatures), dtype=np.bool_)
        rows = pending.rows(EarlierGames(0, begins, is_duplicate))
        if not rows.games["signature"].equals(set_aside["signature"]):
            raise _not_alone(batch[0].name)
        # The games' own numbers: those of the answer are places in the batch.
        numbers = set_aside["game"].combine_chunks()
        yield LedgerRows(*(_with_games(table, numbers.take(table["game"])) for table in rows))
    if done < games.num_rows:
        raise _not_alone(known.name)


def _with_games(rows: pa.Table, numbers: pa.Array) -> pa.Table:
    at = rows.schema.get_field_index("game")
    return rows.set_column(at, rows.schema.field(at), numbers)


def _not_alone(source: str) -> StoreError:
    return StoreError(
        "a repeated game cannot be read by itself",
        where=Place(source),
        advice="read the sources that are to stay into a new store",
    )


def forget(player: str, store: Store) -> tuple[Manifest, int]:
    """Take all games of a player out of a store, for good; the manifest, and how many games these were.

    The rows that are left say that there were games, and nothing else of them. The tables of all later stages
    go, if there were any, since they tell of single games: model games, plans, counts of rare replies. Their
    settings are kept. Reading the same sources again does not bring the games back. Who is forgotten already
    stays so, and nothing is left to do. The player's number among the pupils goes to nobody else.

    Raises UsageError for a name that stands for nobody, or a store that keeps nothing of names, StoreError if
    it knows nothing of the player, was not read into yet or a file is damaged. No message tells the name.
    """
    with store.writing():
        manifest = store.require_whole("read")
        names = settings_of({"read": manifest.settings}).read.names
        players = Players(store.salt, names)
        identity = players.player(player).identity
        if not identity:
            raise UsageError(
                "this name stands for players who are not known", advice="give the name as in the games"
            )

        def is_wanted(shown: str) -> bool:
            return (int(shown, 16) if names == "hash" else players.player(shown).identity) == identity

        contents, known = Contents.of(store, manifest), Forgotten.of(store)
        if identity in known.identities and known.digest == contents.forgotten:
            return manifest, 0
        forgotten = Forgotten(known.identities | {identity})
        numbers, pupil = PupilNumbers.of(store), f"{identity:016x}"
        if names == "drop" and pupil not in numbers.given:
            raise UsageError(
                "this store keeps nothing of this player (names = drop), whose games cannot be told in it",
                where=Place(str(store.root)),
                advice="take the player's games out of the sources, and read these into a new store",
            )
        with store.changing() as change:
            revision = Revision(store, change, contents)
            batches = contents.batches if names != "drop" else ()  # whose games they are is not known there
            games = sum(_forget_in(revision, number, is_wanted) for number in batches)
            if not games and pupil not in numbers.given:
                raise StoreError(
                    "no game of this player is in the store",
                    where=Place(str(store.root)),
                    advice="see that the name is spelled as in the games; nothing was changed",
                )
            forgotten.write(change.folder)
            if pupil in numbers.given:
                numbers.without(pupil).write(change.folder)
            if games:
                change.take_out_later_stages()
            left = replace(revision.contents(), forgotten=forgotten.digest)
            return change.commit(left.manifest(manifest.settings)), games


def _forget_in(revision: Revision, number: int, is_wanted: Callable[[str], bool]) -> int:
    """Forget a player's games in a file; how many there were."""
    games = revision.games(number)
    is_forgotten = _is_player(games["white"], is_wanted) | _is_player(games["black"], is_wanted)
    if is_forgotten.any():
        moves = revision.moves(number)
        is_lost = _is_in(moves, games.filter(pa.array(is_forgotten)))
        revision.put(number, LedgerRows(blanked(games, is_forgotten), moves.filter(pa.array(~is_lost))))
    return int(is_forgotten.sum())


def _is_player(shown: pa.ChunkedArray, wanted: Callable[[str], bool]) -> Flags:
    """Which of the players, as the table shows them, is wanted."""
    fits = [text for text in shown.unique().to_pylist() if text and wanted(text)]
    return np.array(pc.is_in(shown, value_set=pa.array(fits, pa.string())))
