"""Files of any number of games, made from real ones, for measuring how the program grows with its input.

The real games come first, evenly taken where fewer are wanted than there are. Then copies follow. A copy's
players are new ones (a hash of the name and the copy's number), so that no copy is a repeated game, and its
moves are mixed: it follows the real game for twelve plies, or only as long as ten real games share the
moves, and leaves it there by a pair of rook pawn moves that is the copy's own. Then it goes on as the real
game does, with the same moves in a position that is now another. So new positions keep coming, as they do in
real databases: what many games share is met more often, and behind it each copy has positions of its own,
with as many games in each as the real ones have. (Exact copies would lift every rare position over the
tally's floor, and games played on at random would lift none.)

Legal is what the core takes, of the 255 plies that it follows at the most. Where the real game's move cannot
be made any more, another quiet one stands in for it; where none of those can be made either, the game ends.
Nothing is drawn by lot, so that the same files are made again. They are kept, and made anew when the real
games or this module change.
"""

from __future__ import annotations

import hashlib
import re
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt
import zstandard

from benchmarks.read import games_of, plain_text
from miner.pgn.readers import make_reader

FOLLOWED_PLIES = 12  # that a copy follows the real game at the most; an even number: then White is to move
SHARED_BY = 10  # real games that share the moves as far as a copy follows them: the tally's floor
PAIRS = [
    f"{white} {black}" for white in ("a3", "h3", "a4", "h4") for black in ("a6", "h6", "a5", "h5")
]  # what copies leave the real game by
UNKNOWN = "?"
STAND_INS = (
    ("a3", "h3", "a4", "h4", "g3", "b3", "Kh1", "Kg1", "Kb1", "Re1", "Rd1", "Kg2", "Kh2"),
    ("a6", "h6", "a5", "h5", "g6", "b6", "Kh8", "Kg8", "Kb8", "Re8", "Rd8", "Kg7", "Kh7"),
)  # White's and Black's, for moves that cannot be made any more
MOST_ROUNDS = 12  # of mending a copy
_AT_ONCE = 20_000  # games that are given to the core
_MOST_PLIES = 255

_NUMBER = re.compile(r"\d+\.+\s*")
_NAME = re.compile(r'^\[(White|Black) "(.*)"\]$', re.MULTILINE)
_PLY_COUNT = re.compile(r'^\[PlyCount "\d*"\]\n?', re.MULTILINE)
_MORE_THAN_MOVES = re.compile(r"[{(;$]")  # comments, variations, NAGs
_RESULT = re.compile(r"\s*(1-0|0-1|1/2-1/2|\*)?\s*$")


@dataclass(frozen=True, slots=True)
class Game:
    """A real game."""

    tags: str
    moves: tuple[str, ...]  # SAN
    result: str

    @classmethod
    def of(cls, text: str) -> Game:
        """From PGN without comments and variations."""
        tags, _, moves = text.partition("\n\n")
        ended = _RESULT.search(moves)
        assert ended is not None
        written = _NUMBER.sub("", moves[: ended.start()])
        return cls(_PLY_COUNT.sub("", tags).strip(), tuple(map(sys.intern, written.split())), ended[1] or "*")


class Enlarger:
    """Makes files of many games from a few files of real ones."""

    def __init__(self, sources: Sequence[Path], folder: Path) -> None:
        self.sources = sources
        self.folder = folder
        made_from = hashlib.sha256(Path(__file__).read_bytes())
        for source in sources:
            made_from.update(source.read_bytes())
        self._made_from = made_from.hexdigest()[:12]

    def file_of(self, games: int, *, copies_left_out: int = 0) -> Path:
        """A file of so many games, which begin with the real ones or, later, with some copy."""
        first = f"-from-copy-{copies_left_out}" if copies_left_out else ""
        file = self.folder / f"{games}{first}-{self._made_from}.pgn.zst"
        if not file.exists():
            self.folder.mkdir(parents=True, exist_ok=True)
            unfinished = file.with_suffix(".unfinished")
            with unfinished.open("wb") as raw, zstandard.ZstdCompressor(threads=-1).stream_writer(raw) as out:
                for copy, numbers in self._numbers(games, copies_left_out):
                    for text in self._texts(copy, numbers):
                        out.write(text.encode("latin-1"))
            unfinished.rename(file)
        return file

    def more_than(self, games: int, share: float) -> Path:
        """A file of games that are in no file of so many games, as many as the share of them."""
        copies = -(-games // len(self.games))
        return self.file_of(round(games * share), copies_left_out=copies)

    @cached_property
    def games(self) -> list[Game]:
        """The real games of all sources, without those whose move text has more than moves."""
        texts = [text for source in self.sources for text in games_of(plain_text(source))]
        return [Game.of(text) for text in texts if not _MORE_THAN_MOVES.search(text.partition("\n\n")[2])]

    @cached_property
    def leave_at(self) -> list[int]:
        """The ply, an even number, at which copies of each game leave it."""
        plies = range(2, FOLLOWED_PLIES + 1, 2)
        shared = Counter(game.moves[:ply] for game in self.games for ply in plies if ply <= len(game.moves))
        return [
            max((p for p in plies if shared[game.moves[:p]] >= SHARED_BY), default=0) for game in self.games
        ]

    def _numbers(self, games: int, copies_left_out: int) -> Iterator[tuple[int, npt.NDArray[np.int64]]]:
        """The copies (0: the real games) and the numbers of the games that are taken of each."""
        whole, rest = divmod(games, len(self.games))
        for copy in range(copies_left_out, copies_left_out + whole):
            yield copy, np.arange(len(self.games))
        if rest:
            yield copies_left_out + whole, np.arange(rest) * len(self.games) // rest

    def _texts(self, copy: int, numbers: npt.NDArray[np.int64]) -> Iterator[str]:
        """The games as PGN."""
        if copy > len(PAIRS):
            raise SystemExit(f"{len(self.games)} games can be enlarged {len(PAIRS) + 1} times at the most")
        names: dict[str, str] = {}

        def renamed(tag: re.Match[str]) -> str:
            name = tag[2]
            if name not in names:
                names[name] = name if name == UNKNOWN else _hashed(name, copy)
            return f'[{tag[1]} "{names[name]}"]'

        taken = numbers.tolist()
        mixed = self._mixed(copy, taken) if copy else [self.games[number].moves for number in taken]
        for number, moves in zip(taken, mixed, strict=True):
            game = self.games[number]
            yield _text(_NAME.sub(renamed, game.tags) if copy else game.tags, moves, game.result)

    def _mixed(self, copy: int, numbers: Sequence[int]) -> list[list[str]]:
        """The moves of the games in a copy, all of them legal."""
        pair = PAIRS[copy - 1].split()
        mixed = []
        for number in numbers:
            moves, at = self.games[number].moves, self.leave_at[number]
            mixed.append([*moves[:at], *pair, *moves[at:]])
        _mend(mixed)
        return mixed


def _mend(games: Sequence[list[str]]) -> None:
    """Put other moves for those that cannot be made, or end the game before them."""
    broken, tried = (
        list(range(len(games))),
        dict[int, tuple[int, int]](),
    )  # the ply, and stand-ins tried there
    for round_ in range(MOST_ROUNDS):
        still_broken = []
        for number, ply in zip(broken, _illegal_plies([games[number] for number in broken]), strict=True):
            moves, last_tried = games[number], tried.get(number, (ply, 0))
            if ply is None:
                continue
            count = last_tried[1] if last_tried[0] == ply else 0
            if count == len(STAND_INS[ply % 2]) or round_ == MOST_ROUNDS - 1:
                del moves[ply:]
                continue
            moves[ply] = STAND_INS[ply % 2][count]
            tried[number] = (ply, count + 1)
            still_broken.append(number)
        broken = still_broken


def _illegal_plies(games: Sequence[Sequence[str]]) -> list[int | None]:
    """The ply of each game that is not legal; None: all are."""
    plies: list[int | None] = []
    reader = make_reader("compiled")
    for start in range(0, len(games), _AT_ONCE):
        texts = [" ".join(moves).encode("ascii") + b"\n" for moves in games[start : start + _AT_ONCE]]
        ends = np.cumsum([len(text) for text in texts])
        decoded = reader.decode(b"".join(texts), np.append(0, ends[:-1]), ends, _MOST_PLIES)
        legal = zip(decoded.plies.tolist(), decoded.is_illegal.tolist(), strict=True)
        plies += [ply if is_illegal else None for ply, is_illegal in legal]
    return plies


def _hashed(name: str, copy: int) -> str:
    return "p_" + hashlib.sha1(f"{copy} {name}".encode()).hexdigest()[:8]


def _text(tags: str, moves: Sequence[str], result: str) -> str:
    numbered = [f"{ply // 2 + 1}. {move}" if ply % 2 == 0 else move for ply, move in enumerate(moves)]
    return f"{tags}\n\n{' '.join([*numbered, result])}\n\n"
