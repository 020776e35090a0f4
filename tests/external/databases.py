"""Game databases made for a test: many players, three bands, published replies at a known frequency."""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import chess

from miner.board.moves import pack
from miner.means import Means
from miner.pipeline import judge, rank, read, tally
from miner.settings import JudgeSettings, RankSettings, ReadSettings, TallySettings
from miner.store import Store
from tests.external.published import Published


@dataclass(frozen=True, slots=True)
class Often:
    """How often a line arises in its database."""

    games: int  # through the position
    with_reply: int  # of them with the line's reply
    with_best: int  # and with the listed best move, where that is another one; the rest choose anything else


FREQUENT = Often(80, 28, 40)
RARE = Often(25, 8, 12)
RATINGS = (1100, 1300, 1500)  # a rating in each of three bands
LOSING_SCORES = (2, 7, 1)  # of ten movers of a losing reply so many win, lose and draw
OTHER_SCORES = (4, 4, 2)
MOST_TOGETHER = 14
"""Lines in one database. With more of them each would be so rare that knowing it is worth less than a point
per 100 games, and the default settings would rightly leave it alone."""

Reply = tuple[int, int]  # position key and packed move


@dataclass(frozen=True, slots=True)
class Mined:
    """What came out of one or more databases, by reply."""

    judged: dict[Reply, dict[str, Any]]
    findings: dict[Reply, list[dict[str, Any]]]


def share_out(lines: Iterable[Published]) -> list[list[Published]]:
    """Groups of lines, none of which leads through another's position: so none is met more often."""
    groups: list[list[Published]] = []
    for line in sorted(lines, key=lambda line: (len(line.way), line.id)):
        free = (group for group in groups if len(group) < MOST_TOGETHER)
        group = next((group for group in free if not any(_meet(line, other) for other in group)), None)
        if group is None:
            groups.append([line])
        else:
            group.append(line)
    return groups


def _meet(one: Published, other: Published) -> bool:
    return one.key in other.keys_met or other.key in one.keys_met


def mine(
    groups: Iterable[Sequence[Published]],
    losing: set[str],
    settings: JudgeSettings,
    engine: Path,
    folder: Path,
) -> Mined:
    """Make a database of each group under `folder`, judge and rank it, and gather what they found."""
    judged: dict[Reply, dict[str, Any]] = {}
    findings: dict[Reply, list[dict[str, Any]]] = {}
    means = Means(engine=engine, cache=folder / "verdicts.sqlite", processes=1)
    for number, group in enumerate(groups):
        source, store = folder / f"{number}.pgn", Store.create(folder / f"store-{number}")
        source.write_text(database(group, losing), encoding="utf-8")
        _mine_one([source], store, settings, means)
        judged |= judged_of(store)
        findings |= findings_of(store)
    return Mined(judged, findings)


def mine_among(
    lines: Sequence[Published], losing: set[str], others: Path, engine: Path, folder: Path
) -> Mined:
    """The lines, each as rare as in a small club, among the games of `others`; with default settings."""
    source, store = folder / "lines.pgn", Store.create(folder / "store")
    source.write_text(database(lines, losing, RARE), encoding="utf-8")
    means = Means(engine=engine, cache=folder / "verdicts.sqlite")
    _mine_one([source, others], store, JudgeSettings(), means)
    return Mined(judged_of(store), findings_of(store))


def _mine_one(sources: Sequence[Path], store: Store, settings: JudgeSettings, means: Means) -> None:
    read([str(source) for source in sources], store, ReadSettings(), means)
    tally(store, TallySettings(), means)
    judge(store, settings, means)
    rank(store, RankSettings(), means)


def judged_of(store: Store) -> dict[Reply, dict[str, Any]]:
    """The rows of `judged` by their reply."""
    return {(row["key"], row["move"]): row for row in store.read_table("judged").to_pylist()}


def findings_of(store: Store) -> dict[Reply, list[dict[str, Any]]]:
    """The rows of `by_band` by their reply."""
    findings: dict[Reply, list[dict[str, Any]]] = {}
    for row in store.read_table("by_band").to_pylist():
        reply = row["key"], pack(chess.Move.from_uci(row["losing_reply_uci"]))
        findings.setdefault(reply, []).append(row)
    return findings


def database(lines: Iterable[Published], losing: set[str], often: Often = FREQUENT) -> str:
    """PGN of games through each line's position; `losing`: ids of the lines whose reply loses."""
    return "\n".join(game for line in lines for game in _games(line, line.id in losing, often))


def _games(line: Published, is_losing: bool, often: Often) -> Iterator[str]:
    luck = random.Random(line.id)
    board = line.board
    way = chess.Board().variation_san(line.way)
    for number, move in enumerate(_choices(line, board, luck, often)):
        scores = LOSING_SCORES if is_losing and move == line.reply else OTHER_SCORES
        winner = luck.choices((board.turn, not board.turn, None), scores)[0]
        result = "1/2-1/2" if winner is None else "1-0" if winner == chess.WHITE else "0-1"
        rating = RATINGS[number % len(RATINGS)]
        moves = f"{way} {board.variation_san([move, *_wander(board, move, luck)])}"
        yield (
            f'[White "W {line.id} {number}"]\n[Black "B {line.id} {number}"]\n[Result "{result}"]\n'
            f'[WhiteElo "{rating}"]\n[BlackElo "{rating}"]\n\n{moves} {result}\n'
        )


def _choices(line: Published, board: chess.Board, luck: random.Random, often: Often) -> list[chess.Move]:
    """What the movers of the games choose; all but reply and best move are too rare to matter."""
    others = [move for move in board.legal_moves if move not in (line.reply, line.best)]
    luck.shuffle(others)
    with_best = 0 if line.best == line.reply else often.with_best
    rest = often.games - often.with_reply - with_best
    return (
        [line.reply] * often.with_reply
        + [line.best] * with_best
        + [others[number % len(others)] for number in range(rest)]
    )


def _wander(board: chess.Board, move: chess.Move, luck: random.Random) -> list[chess.Move]:
    """Up to three moves that follow: games go on, or end here, in all sorts of ways."""
    board = board.copy(stack=False)
    board.push(move)
    moves = []
    for _ in range(luck.randrange(4)):
        if board.is_game_over():
            break
        moves.append(luck.choice(list(board.legal_moves)))
        board.push(moves[-1])
    return moves
