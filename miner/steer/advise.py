"""From a store to advice: the tables are laid out, the tree grows with the engine's help, and is valued."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

import chess
import chess.polyglot

from miner.board.moves import parse_uci_line
from miner.curve.fit import curves_in
from miner.engine.cache import VerdictCache
from miner.engine.consult import advancing, consult
from miner.engine.dispatch import identify
from miner.errors import UsageError
from miner.export.scanned import read_through
from miner.finding.motifs import read_motifs
from miner.graph.repertoire import Repertoire
from miner.means import USUAL, Means
from miner.schema import JUDGED
from miner.settings import SteerSettings
from miner.steer.advice import Advice, taken_away
from miner.steer.expectimax import OurPosition, Worth, coefficients_drawn, curve_worth, engine_worth, value
from miner.steer.grow import Ask, Growth, Looked, Question, look_at
from miner.steer.tallied import TalliedTree, lay_out
from miner.store import Store
from miner.terms import BandScheme, Side


def advise(
    store: Store,
    side: Side,
    band: str,
    settings: SteerSettings | None = None,
    means: Means = USUAL,
    *,
    start: str = "",
    repertoire: Repertoire | None = None,
) -> Advice:
    """Which moves of `side` score best against players of `band`, from the position `start` on.

    `start`: a FEN, or moves (SAN or UCI, with or without numbers) from the start of the game; empty: that
    start. In the positions of a `repertoire` its moves are taken, sound or not. The judge's verdicts are used
    where there are any; the engine is asked for the rest through the cache, so that the same call goes on
    after an interruption. Writes nothing into the store.
    Raises StoreError without a tally, UsageError for a band or a position that the tally does not have or a
    repertoire of the other side, EngineNotFound or EngineFailed if the engine is of no use,
    ClusterFailed.
    """
    settings = settings or SteerSettings()
    bands = store.bands
    bands.require([band])
    tallied = lay_out(
        store.read_table("positions"),
        store.read_table("replies"),
        store.read_table("judged") if store.manifest("judge") else JUDGED.empty_table(),
        store.read_table("foreseen"),
        band=band,
        bands=bands,
        strong_rating=settings.strong_rating,
        confidence=store.require("tally").settings["confidence"],
    )
    first_moves, root = find_start(tallied, start)
    _require_answers(tallied, root, side, band, repertoire)
    fixed = repertoire.moves if repertoire else {}
    with _asking(tallied, settings, means) as ask:
        tree = Growth(tallied, side, settings, fixed).tree(root, ask)
        if root not in tree:
            raise UsageError("there is no verdict on the first position", advice="see the warnings above")
        worth, source = worth_in(store, bands, band, settings.draws)
        valued = value(
            tree, root, worth, draws=settings.draws, losing=settings.losing, confidence=settings.confidence
        )
        advice = Advice(
            side=side,
            band=band,
            root=root,
            first_moves=first_moves,
            valued=valued,
            worth=worth,
            tallied=tallied,
            settings=settings,
            curve=source,
        )
        return replace(advice, taken_away=taken_away(advice, ask), brought=brought(store, advice))


def brought(store: Store, advice: Advice) -> dict[int, str]:
    """What the other side falls for after each of our moves along the advice; nothing without a scan."""
    motifs = read_motifs(store)
    if motifs is None or not motifs.counts:
        return {}
    through = read_through(store, motifs, profits=advice.side)
    ours = (advice.tree.get(key) for key in advice.reach)
    positions = [position for position in ours if isinstance(position, OurPosition)]
    after = {choice.child for position in positions for choice in position.choices}
    return {key: through.sentence_at(key) for key in after if key is not None}


def _require_answers(
    tallied: TalliedTree, root: int, side: Side, band: str, repertoire: Repertoire | None
) -> None:
    """Raise UsageError if the repertoire is the other side's, or the band never had to answer at `root`."""
    if repertoire and repertoire.side != side:
        raise UsageError(f"the repertoire is {repertoire.side.capitalize()}'s", advice=f"read it for {side}")
    is_theirs = chess.Board(tallied.positions[root].fen).turn != side.color
    if is_theirs and not tallied.answers(root):
        raise UsageError(
            f"no player of the band {band} was in that position", advice="name another band or position"
        )


@contextmanager
def _asking(tallied: TalliedTree, settings: SteerSettings, means: Means) -> Iterator[Ask]:
    """Engines that complete the judge's verdicts, through the cache."""
    identity = identify(means, settings.hash_mb)
    with (
        VerdictCache(means.cache_file, identity) as cache,
        means.progress.task("steering", total=None, unit="positions") as task,
    ):

        def ask(questions: Sequence[Question]) -> list[Looked | None]:
            found, _ = consult(
                (look_at(asked, tallied.judged.get(asked.key, {}), settings.nodes) for asked in questions),
                means,
                hash_mb=settings.hash_mb,
                cache=cache,
                on_progress=advancing(task),
            )
            return found

        yield ask


def worth_in(store: Store, bands: BandScheme, band: str, draws: int) -> tuple[Worth, str]:
    """How much centipawns are worth to players of a band, and where that comes from.

    fitted: the band's curve; engine: the engine's rule, where the store was not judged or the band has too
    few games for a curve of its own.
    """
    if store.manifest("judge"):
        curve = curves_in(store, bands).of(band)
        if curve.source == "fitted":
            drawn = coefficients_drawn(curve.coefficients, curve.covariance, draws)
            others = [replace(curve, coefficients=row).expected for row in drawn]
            return curve_worth(curve.expected, others), "fitted"
    return engine_worth(draws), "engine"


def find_start(tallied: TalliedTree, start: str) -> tuple[tuple[chess.Move, ...], int]:
    """The moves to the first position, and its key.

    Raises UsageError if it is neither a FEN nor moves, or the tally does not have it.
    """
    board = _board_of(start)
    key = chess.polyglot.zobrist_hash(board)
    if key not in tallied.positions:
        raise UsageError(
            f"too few games reach the position {start or 'at the start'!r}",
            advice="name an earlier one, or tally with a smaller --min-games-at-position",
        )
    moves = tuple(board.move_stack) or parse_uci_line(chess.Board(), tallied.positions[key].path.split())
    return moves, key


def _board_of(start: str) -> chess.Board:
    if "/" in start:
        try:
            return chess.Board(start)
        except ValueError as error:
            raise UsageError(
                f"{start!r} is no FEN: {error}", advice="copy the whole FEN, in quotes"
            ) from error
    board = chess.Board()
    for word in start.split():
        san = word.rsplit(".", 1)[-1]  # behind its number, if it has one
        try:
            if san:
                _push(board, san)
        except ValueError as error:
            raise UsageError(
                f"{san!r} in {start!r} cannot be played", advice="write moves such as '1.e4 e5 2.Nf3'"
            ) from error
    return board


def _push(board: chess.Board, move: str) -> None:
    try:
        board.push_san(move)
    except ValueError:
        board.push_uci(move)
