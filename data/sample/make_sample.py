"""Makes the sample: two seasons of games of an invented junior club, played by simulated pupils.

    python data/sample/make_sample.py --engine /usr/games/stockfish --out data/sample/club.pgn

A simulated pupil knows what each move leads to from one search of the engine with many lines: its answer at a
low depth is the short view, the last one the long view. But a pupil may not look for what the opponent has
just given away, and may not think of what the opponent can answer; then captures and checks look good,
whatever is wrong with them. How often either happens depends on the rating. The first moves follow habits
(habits.csv) and tastes, of beginners and of experienced players, so that positions come up again and again.

Nothing here comes from a real game. The same arguments and the same engine give the same bytes.
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import math
import multiprocessing
import random
import re
import shutil
import subprocess
import sys
import zlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import chess
import chess.pgn
import zstandard
from tqdm import tqdm

HERE = Path(__file__).resolve().parent

CLUB = "Larkenmoor Juniors"
GUEST_CLUBS = (
    "Otterbrindle School",
    "Pennywick Pawns",
    "Thistlehollow Juniors",
    "Copperfen School",
    "Brackenmere School",
)
MEMBERS, GUESTS_PER_CLUB = 90, 45
# fmt: off
GIVEN = (
    "Alderic", "Brindabel", "Corrimund", "Dapplin", "Elowisse", "Fennimar", "Gilliwyn", "Hollimund",
    "Ivorel", "Jessamond", "Kestriel", "Lumiette", "Marlowin", "Nimbrel", "Oriwick", "Pippernel",
    "Quillamy", "Rowandel", "Sorrelin", "Tamsibel", "Umbriel", "Verrily", "Wrenna", "Yarroway",
    "Zephirin",
)
FAMILY = (
    "Appleglen", "Birchwhistle", "Cloudmeadow", "Dewmarsh", "Emberfield", "Foxbramble",
    "Gooseberrow", "Hazelthwick", "Inkwhistle", "Junipertree", "Kettlemoss", "Lanternby",
    "Mossbutton", "Nettlebank", "Oakwhisper", "Puddlecombe", "Quincebrook", "Rainbarrow",
    "Snowthistle", "Turnipseed", "Umberlake", "Violetmarsh", "Willowbutton", "Yellowhammer",
)
# fmt: on

HABIT_GROUPS = {
    "e4": ("italian", "scotch", "spanish", "fourknights", "queen", "bishop", "centre", "gambit", "vienna"),
    "d4": ("gambitqueen", "london", "colle"),
}
WORTH = {
    chess.PAWN: 100,
    chess.KNIGHT: 300,
    chess.BISHOP: 300,
    chess.ROOK: 500,
    chess.QUEEN: 900,
    chess.KING: 0,
}

SHORT_VIEW = 2  # engine's depth
BEYOND = 60  # centipawns: how much worse than the last line a move without one counts
PLAIN = 0.3  # how much likelier it is to miss or to hurry after a capture than after another move
OVERLOOKED = 0.5  # share of the moves whose answer is not thought of by a player who hurries
UNCLEAR = 20  # centipawns: how much worse than what was expected such a move is taken to be
LOOKS = 0.5  # how much a move's looks count beside what it leads to
SHARED_PLIES = 20  # up to here positions recur, so what the engine said is kept
TASTE_PLIES = 16
LONGEST_GAME = 100  # plies
OPENING = 32  # plies that the engine looks at closely
LOWEST, HIGHEST = 700, 1900  # ratings
BLINDEST, BEST = 600, 2000  # rating points between which skill grows
FORM = 40  # rating points: standard deviation from day to day
FIRST_MOVE = 15  # rating points: what White's initiative is worth beyond what short views see

Views = list[dict[chess.Move, int]]  # by depth from 1: centipawns for the mover, most promising moves only


@dataclass(frozen=True, slots=True)
class Habit:
    """A line of the opening table: who plays it, and what the trade calls it (from memory).

    A line with "-" for both sides only names a position.
    """

    eco: str
    opening: str
    white: str
    black: str
    low: int
    high: int
    weight: float
    moves: tuple[chess.Move, ...]

    def of(self, side: chess.Color) -> str:
        """Name of the habit that makes this side play the line."""
        return self.white if side == chess.WHITE else self.black


@dataclass(frozen=True, slots=True)
class Player:
    """An invented pupil. The rating grows from `start` by `growth` in the two seasons."""

    name: str
    club: str
    start: int
    growth: int
    rated_from: dt.date
    white: frozenset[str]
    black: frozenset[str]

    def rating(self, day: dt.date) -> int:
        """Rating in the list of the month, which stands from its first day."""
        share = (day.replace(day=1) - SEASON_START).days / (SEASON_END - SEASON_START).days
        return max(LOWEST, min(HIGHEST, round(self.start + self.growth * max(0.0, share))))

    def habits(self, side: chess.Color) -> frozenset[str]:
        """Names of the player's habits with this side."""
        return self.white if side == chess.WHITE else self.black


@dataclass(frozen=True, slots=True)
class Skill:
    """What a rating means over the board."""

    weak: float  # 1 for a beginner, 0 for the club's best
    misses: float  # chance not to look for what the opponent's last move gives away
    hurries: float  # chance not to think of the opponent's answer
    is_short: float  # chance that only the short view is taken
    spread: float  # centipawns: standard deviation of what chance adds to a move
    taste: float  # centipawns: standard deviation of liking a move for no good reason
    memory: int  # plies of a habit that are known
    follow: float  # chance to follow the habit where it is known
    resign_below: int  # centipawns
    resign_chance: float  # per move once below

    @classmethod
    def at(cls, strength: float) -> Skill:
        """What `strength` rating points see. The numbers were tried until mistakes and answers that are found
        were as frequent as in rated games of amateurs, see the README.
        """
        t = max(0.0, min(1.0, (strength - BLINDEST) / (BEST - BLINDEST)))
        weak = 1 - t
        return cls(
            weak=weak,
            misses=0.58 + 0.10 * weak,
            hurries=0.12 + 0.44 * min(weak, 0.7),
            is_short=0.2 + 0.35 * weak,
            spread=12 + 22 * weak,
            taste=18 + 22 * weak,
            memory=round(7 + 7 * t),
            follow=0.84 + 0.10 * t,
            resign_below=-round(1100 - 450 * t),
            resign_chance=0.06 + 0.25 * t,
        )


@dataclass(frozen=True, slots=True)
class Session:
    """One afternoon or evening of play."""

    day: dt.date
    event: str
    site: str
    time_control: str
    guests: tuple[str, ...]  # clubs that come
    match: bool  # club against club rather than all mixed


@dataclass(frozen=True, slots=True)
class Pairing:
    """Who meets whom, when and where."""

    session: Session
    round: str
    white: Player
    black: Player


@dataclass(slots=True)
class Played:
    """Moves of a finished game and its result."""

    moves: list[chess.Move]
    result: str


# Schedule -----------------------------------------------------------------------------------------

SEASON_START, SEASON_END = dt.date(2023, 9, 1), dt.date(2025, 6, 28)


def sessions() -> list[Session]:
    """Club evenings on Fridays, matches and the junior open on Saturdays; none in the holidays."""
    found: list[Session] = []
    days = (SEASON_START + dt.timedelta(n) for n in range((SEASON_END - SEASON_START).days + 1))
    for day in days:
        holidays = day.month in (7, 8) or (day.month, day.day) >= (12, 20) or (day.month, day.day) <= (1, 6)
        if day.weekday() not in (4, 5) or holidays:
            continue
        week = day.isocalendar().week
        if day.weekday() == 4:
            found.append(_friday(day, week))
        elif week % 2 == 0:
            found.append(_saturday(day, week))
    return found


def _friday(day: dt.date, week: int) -> Session:
    if week % 2:
        return Session(day, f"Club championship {season(day)}", CLUB, "2700+10", (), match=False)
    return Session(day, "Friday rapid evening", CLUB, "900+10", (), match=False)


def _saturday(day: dt.date, week: int) -> Session:
    guest = GUEST_CLUBS[week // 2 % len(GUEST_CLUBS)]
    if week % 12 == 0:
        return Session(day, f"Larkenmoor Junior Open {day.year}", CLUB, "1500+10", GUEST_CLUBS, match=False)
    if week % 4 == 0:
        return Session(day, f"Friendly match {CLUB} - {guest}", guest, "900+5", (guest,), match=True)
    return Session(day, f"Larken Valley Schools League {season(day)}", guest, "3600", (guest,), match=True)


def season(day: dt.date) -> str:
    """The season a day belongs to, e.g. 2023/24."""
    first = day.year if day.month >= 8 else day.year - 1
    return f"{first}/{(first + 1) % 100:02d}"


def pairings(games: int, players: Sequence[Player], rng: random.Random) -> Iterator[Pairing]:
    """`games` pairings spread evenly over the two seasons, mostly between players of like rating."""
    calendar = sessions()
    for number, session in enumerate(calendar):
        wanted = (number + 1) * games // len(calendar) - number * games // len(calendar)
        round_number = 0
        while wanted > 0:
            round_number += 1
            pairs = list(_round(session, players, rng))[:wanted]
            wanted -= len(pairs)
            for board, (one, other) in enumerate(pairs, start=1):
                white, black = (one, other) if rng.random() < 0.5 else (other, one)
                yield Pairing(session, f"{round_number}.{board}", white, black)


def _round(
    session: Session, players: Sequence[Player], rng: random.Random
) -> Iterator[tuple[Player, Player]]:
    there = [p for p in players if p.club in (CLUB, *session.guests) and rng.random() < 0.75]
    order = {p: p.rating(session.day) + rng.gauss(0, 170) for p in there}
    there.sort(key=lambda p: order[p], reverse=True)
    if session.match:
        ours, theirs = ([p for p in there if (p.club == CLUB) is home] for home in (True, False))
        boards = min(len(ours), len(theirs))
        team = sorted(rng.sample(ours, boards), key=lambda p: order[p], reverse=True)
        pairs = list(zip(team, theirs[:boards], strict=True))
    else:
        pairs = list(zip(there[::2], there[1::2], strict=False))
    rng.shuffle(pairs)
    yield from pairs


# Players ------------------------------------------------------------------------------------------


def make_players(habits: Sequence[Habit], rng: random.Random) -> list[Player]:
    """Members and guests with invented names, ratings, habits, and the day from which they are rated."""
    clubs = [CLUB] * MEMBERS + [club for club in GUEST_CLUBS for _ in range(GUESTS_PER_CLUB)]
    names = rng.sample([f"{family}, {given}" for family in FAMILY for given in GIVEN], len(clubs))
    return [_player(name, club, habits, rng) for name, club in zip(names, clubs, strict=True)]


def _player(name: str, club: str, habits: Sequence[Habit], rng: random.Random) -> Player:
    start = round(max(LOWEST, min(HIGHEST, rng.gauss(1190, 330))))
    growth = round(max(0, rng.gauss(90, 60)))
    newcomer = club == CLUB and start < 1100 and rng.random() < 0.4
    rated_from = rng.choice([dt.date(2024, 2, 1), dt.date(2024, 10, 1)]) if newcomer else SEASON_START
    white = {_pick_habit(habits, chess.WHITE, "", start, rng) for _ in range(rng.choice([1, 1, 2]))}
    groups = {group for group, names in HABIT_GROUPS.items() if white & set(names)}
    black = {_pick_habit(habits, chess.BLACK, first, start, rng) for first in ("e2e4", "d2d4")}
    return Player(name, club, start, growth, rated_from, frozenset(white | groups), frozenset(black))


def _pick_habit(
    habits: Sequence[Habit], side: chess.Color, first: str, rating: int, rng: random.Random
) -> str:
    popular: Counter[str] = Counter()
    for habit in habits:
        name = habit.of(side)
        fits = habit.low <= rating <= habit.high and habit.moves[0].uci().startswith(first)
        if fits and name not in HABIT_GROUPS:
            popular[name] += round(10 * habit.weight)
    # The favourites of a club are played even more than their share of the table.
    return rng.choices(list(popular), [games**1.4 for games in popular.values()])[0]


def read_habits(path: Path) -> list[Habit]:
    """The table of openings, its moves checked on the board."""
    with path.open(encoding="utf-8", newline="") as file:
        return [_habit(row) for row in csv.DictReader(file)]


def _habit(row: Mapping[str, str]) -> Habit:
    board = chess.Board()
    moves = tuple(board.push_san(san) for san in row["moves"].split())
    low, high, weight = int(row["low"]), int(row["high"]), float(row["weight"])
    return Habit(row["eco"], row["opening"], row["white"], row["black"], low, high, weight, moves)


# Looking at a position ----------------------------------------------------------------------------


class Seer:
    """A UCI engine asked for many lines at once, each depth's answer kept.

    Spoken to directly: a game asks some seventy times for up to nine lines, and reading the answers into full
    python-chess objects took longer than the search itself.
    """

    _LINE = re.compile(r" depth (\d+) .* multipv \d+ score (cp|mate) (-?\d+) nodes .* pv (\S+)")

    def __init__(self, path: str) -> None:
        self._process = subprocess.Popen([path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self._known: dict[str, Views] = {}
        self._lines = 0
        self._tell("uci", "setoption name Threads value 1", "setoption name Hash value 1")

    def forget(self) -> None:
        """Clear the engine's memory, so that its next answer does not depend on what it saw before."""
        self._tell("ucinewgame")

    def look(self, board: chess.Board) -> Views:
        """The mover's views of the position, shallow to deep; less deep as the game goes on."""
        ply = board.ply()
        if ply >= SHARED_PLIES:
            return self._search(board, *((6_000, 6) if ply < OPENING else (800, 4)))
        key = board.epd()
        if key not in self._known:
            self.forget()
            self._known[key] = self._search(board, 9_000, 8)
        return self._known[key]

    def close(self) -> None:
        """Let the engine end."""
        self._tell("quit")
        self._process.communicate()

    def _search(self, board: chess.Board, nodes: int, lines: int) -> Views:
        if lines != self._lines:
            self._tell(f"setoption name MultiPV value {lines}")
            self._lines = lines
        self._tell(f"position fen {board.fen()}", f"go nodes {nodes}")
        by_depth: dict[int, dict[chess.Move, int]] = {}
        for line in self._answer():
            if match := self._LINE.search(line):
                depth, kind, number, move = match.groups()
                score = int(number) if kind == "cp" else _mate(int(number))
                by_depth.setdefault(int(depth), {})[chess.Move.from_uci(move)] = score
        views = list(by_depth.values())
        # The node limit may stop the last depth after its first moves: the rest is as one depth before.
        views[-1] = views[-2] | views[-1] if len(views) > 1 else views[-1]
        return views

    def _answer(self) -> Iterator[str]:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if line.startswith("bestmove"):
                return
            yield line
        raise SystemExit("the engine ended in the middle of a search")

    def _tell(self, *commands: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write("\n".join(commands) + "\n")
        self._process.stdin.flush()


def _mate(moves: int) -> int:
    return (3000 - 50 * abs(moves)) * (1 if moves > 0 else -1)


def _first_impression(board: chess.Board, move: chess.Move) -> int:
    """How good a move looks before the opponent's answer is thought of, in centipawns."""
    them = not board.turn
    piece = board.piece_type_at(move.from_square)
    assert piece is not None
    worth = WORTH[piece]
    value = _opening_sense(board, move)
    if board.is_capture(move):
        value += WORTH[board.piece_type_at(move.to_square) or chess.PAWN] * 8 // 10
    if move.promotion:
        value += WORTH[move.promotion]
    if board.gives_check(move):
        value += 40
    if _threatens(board, move, piece):
        value += 60
    if board.is_attacked_by(them, move.to_square):
        value -= worth // 2  # half seen
    if piece != chess.PAWN and board.is_attacked_by(them, move.from_square):
        value += worth // 4
    return value


def _threatens(board: chess.Board, move: chess.Move, piece: chess.PieceType) -> bool:
    """Whether the moved piece would look at a piece worth more than itself, or at f7 or f2."""
    if board.is_capture(move) or piece == chess.KING:
        return False
    them = not board.turn
    board.push(move)
    aims = board.attacks(move.to_square)
    board.pop()
    if chess.parse_square("f7" if them == chess.BLACK else "f2") in aims and piece != chess.PAWN:
        return True
    targets = aims & board.occupied_co[them]
    return any(WORTH[board.piece_type_at(square) or chess.KING] > WORTH[piece] for square in targets)


def _opening_sense(board: chess.Board, move: chess.Move) -> int:
    """What every pupil is told in the first lessons: centre, pieces out, castle, no rook's pawns."""
    if board.ply() >= 24:
        return 0
    piece = board.piece_type_at(move.from_square)
    if board.is_castling(move):
        return 70
    home_rank = 0 if board.turn == chess.WHITE else 7
    to_file = chess.square_file(move.to_square)
    if piece in (chess.KNIGHT, chess.BISHOP):
        leaves = chess.square_rank(move.from_square) == home_rank
        returns = chess.square_rank(move.to_square) == home_rank
        return 45 * (leaves - returns) - (30 if to_file in (0, 7) else 0)
    if piece == chess.PAWN:
        return {0: -25, 7: -30, 3: 30, 4: 30}.get(to_file, -5)
    return -60 if piece == chess.KING else -10


# Choosing a move ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sight:
    """What the mover has before his eyes."""

    views: Views
    expected: int  # centipawns: where the mover would stand had the opponent played the best move
    is_shy: bool = False  # of moves that repeat a position


def choose(board: chess.Board, player: Player, skill: Skill, sight: Sight, rng: random.Random) -> chess.Move:
    """The move that the player likes best.

    Two things may happen, each by a chance of its own. The player does not look for what the opponent's last
    move gives away: then no move is worth more than what was to be expected. Or the player does not think of
    what the opponent may answer: then some moves look as good as what was to be expected, whatever is wrong
    with them.
    """
    moves = [move for move in board.legal_moves if move.promotion in (None, chess.QUEEN)]
    if sight.is_shy:
        moves = [move for move in moves if not _repeats(board, move)] or moves
    known_ground = board.ply() < TASTE_PLIES
    plain = PLAIN if _is_taken_from(board) else 1.0
    misses, hurries = rng.random() < skill.misses * plain, rng.random() < skill.hurries * plain
    depth = SHORT_VIEW if rng.random() < skill.is_short else len(sight.views)
    view = sight.views[min(depth, len(sight.views)) - 1]
    beyond, spread = min(view.values()) - BEYOND, skill.spread * (0.4 if known_ground else 1.0)
    best, liked_most = moves[0], -math.inf
    for move in moves:
        worth, looks = view.get(move, beyond), _opening_sense(board, move)
        if misses:
            worth = min(worth, sight.expected)
        if hurries and worth < sight.expected and rng.random() < OVERLOOKED:
            worth, looks = sight.expected - UNCLEAR, _first_impression(board, move)
        liking = _felt(worth) + LOOKS * looks + _taste(board, move, player, skill) + rng.gauss(0, spread)
        if liking > liked_most:
            best, liked_most = move, liking
    return best


def _is_taken_from(board: chess.Board) -> bool:
    """Whether the opponent has just taken something: to take back comes to everybody's mind."""
    if not board.move_stack:
        return False
    last = board.pop()
    is_capture = board.is_capture(last)
    board.push(last)
    return is_capture


def _felt(cp: int) -> float:
    """Far ahead or far behind, another pawn counts for less; a mate that is seen always counts."""
    return math.copysign(700 * math.log1p(abs(cp) / 700), cp) + (300 if cp > 2500 else 0)


def _taste(board: chess.Board, move: chess.Move, player: Player, skill: Skill) -> float:
    """What players of this strength like here, and what this player likes: the same every time."""
    if board.ply() >= TASTE_PLIES:
        return 0.0
    where = f"{board.epd()} {move.uci()}"
    shared = skill.weak * _steady_normal(where + " beginner") + (1 - skill.weak) * _steady_normal(where)
    return skill.taste * (shared + 0.5 * _steady_normal(where + player.name))


def _steady_normal(text: str) -> float:
    return random.Random(zlib.crc32(text.encode())).gauss(0, 1)


def _repeats(board: chess.Board, move: chess.Move) -> bool:
    board.push(move)
    repeated = board.is_repetition(2)
    board.pop()
    return repeated


def habitual(
    board: chess.Board, player: Player, skill: Skill, habits: Sequence[Habit], rating: int, rng: random.Random
) -> chess.Move | None:
    """The next move of one of the player's habits, if one fits the moves so far and is remembered."""
    ply = board.ply()
    if ply >= skill.memory or board.root().fen() != chess.STARTING_FEN or rng.random() > skill.follow:
        return None
    mine, so_far = player.habits(board.turn), tuple(board.move_stack)
    known: dict[chess.Move, float] = {}
    for habit in habits:
        fits = habit.of(board.turn) in mine and habit.low <= rating <= habit.high
        if fits and len(habit.moves) > ply and habit.moves[:ply] == so_far:
            known[habit.moves[ply]] = known.get(habit.moves[ply], 0.0) + habit.weight
    return rng.choices(list(known), list(known.values()))[0] if known else None


# Playing a game -----------------------------------------------------------------------------------


@dataclass(slots=True)
class Table:
    """What all games share: the engine and the habits."""

    seer: Seer
    habits: Sequence[Habit]

    def play(self, pairing: Pairing, board: chess.Board, rng: random.Random) -> Played:
        """A whole game, to mate, draw, agreement or resignation."""
        ratings = {
            side: player.rating(pairing.session.day)
            for side, player in ((chess.WHITE, pairing.white), (chess.BLACK, pairing.black))
        }
        strength = {side: rating + rng.gauss(0, FORM) for side, rating in ratings.items()}
        strength[chess.WHITE] += FIRST_MOVE
        skills = {side: Skill.at(points) for side, points in strength.items()}
        later = {side: Skill.at(2 * points - strength[not side]) for side, points in strength.items()}
        cleared, expected = False, 0
        while (result := _over(board)) is None:
            if board.ply() >= SHARED_PLIES and not cleared:
                self.seer.forget()
                cleared = True
            views = self.seer.look(board)
            # Later on the stronger player outplays the weaker one by more than in the opening.
            skill = (skills if board.ply() < OPENING else later)[board.turn]
            if (result := _given_up(board, skill, views, rng)) is not None:
                break
            player = pairing.white if board.turn == chess.WHITE else pairing.black
            move = habitual(board, player, skill, self.habits, ratings[board.turn], rng)
            best = max(views[-1].values())
            sight = Sight(views, expected, is_shy=best > 120)
            board.push(move or choose(board, player, skill, sight, rng))
            expected = -best
        return Played(list(board.move_stack), result)


def _over(board: chess.Board) -> str | None:
    """The result if the game has ended on the board."""
    if not any(board.generate_legal_moves()):
        return ("0-1" if board.turn == chess.WHITE else "1-0") if board.is_check() else "1/2-1/2"
    if board.halfmove_clock >= 100 or board.is_insufficient_material() or board.is_repetition(3):
        return "1/2-1/2"
    return None


def _given_up(board: chess.Board, skill: Skill, views: Views, rng: random.Random) -> str | None:
    """The result if the mover resigns, or both agree to a draw."""
    best, ply = max(views[-1].values()), board.ply()
    lost = "0-1" if board.turn == chess.WHITE else "1-0"
    if ply >= LONGEST_GAME and abs(best) > 100:
        return lost if best < 0 else ("1-0" if lost == "0-1" else "0-1")
    if ply >= LONGEST_GAME:
        return "1/2-1/2"
    hopeless = 2.0 if best < 2 * skill.resign_below or ply > 90 else 1.0
    if ply >= 20 and best < skill.resign_below and rng.random() < hopeless * skill.resign_chance:
        return lost
    if ply >= 60 and abs(best) < 50 and rng.random() < 0.03:
        return "1/2-1/2"
    return None


# Writing it down ----------------------------------------------------------------------------------


def names_of_positions(habits: Sequence[Habit]) -> dict[str, tuple[str, str]]:
    """ECO code and opening of the last position of each line in the table."""
    named = {}
    for habit in habits:
        board = chess.Board()
        for move in habit.moves:
            board.push(move)
        named[board.epd()] = (habit.eco, habit.opening)
    return named


def as_pgn(
    pairing: Pairing, played: Played, start: chess.Board, named: dict[str, tuple[str, str]]
) -> chess.pgn.Game:
    """The game with its tags."""
    session = pairing.session
    game = chess.pgn.Game.without_tag_roster()
    game.headers.update(
        Event=session.event, Site=session.site, Date=session.day.strftime("%Y.%m.%d"), Round=pairing.round,
        White=pairing.white.name, Black=pairing.black.name, Result=played.result,
    )  # fmt: skip
    for side, player in (("White", pairing.white), ("Black", pairing.black)):
        if session.day >= player.rated_from:
            game.headers[f"{side}Elo"] = str(player.rating(session.day))
    if start.fen() != chess.STARTING_FEN:
        game.setup(start)
    for tag, value in opening_tags(played.moves, start, named).items():
        game.headers[tag] = value
    game.headers["TimeControl"] = session.time_control
    game.add_line(played.moves)
    return game


def opening_tags(
    moves: Sequence[chess.Move], start: chess.Board, named: Mapping[str, tuple[str, str]]
) -> dict[str, str]:
    """ECO, Opening and Variation of the last position on the way that the table names."""
    board, found = start.copy(), None
    for move in moves[:20]:
        board.push(move)
        found = named.get(board.epd(), found)
    if found is None:
        return {}
    opening, _, variation = found[1].partition(": ")
    return {"ECO": found[0], "Opening": opening} | ({"Variation": variation} if variation else {})


def as_text(game: chess.pgn.Game) -> str:
    """Export format of the PGN standard, with the blank line that ends a game."""
    return game.accept(chess.pgn.StringExporter(columns=80)) + "\n\n"


# What a club's file looks like --------------------------------------------------------------------

REMARKS = (
    "Played on the board by the window.",
    "Black offered a draw here; White wanted to play on.",
    "White had used almost no time so far.",
    "The scoresheet is hard to read from here on.",
    "Shown in the Friday lesson.",
    "What would you play?",
)
TRAINING_POSITION = "4k3/pp3ppp/8/8/8/8/PP3PPP/4K3 w - - 0 1"


def with_mess(games: list[chess.pgn.Game], seer: Seer, rng: random.Random) -> list[str]:
    """The games as text, with the odd things any club's file has: little more than one game in a hundred.

    Remarks, variations, a game without result, repeated games, and one whose text breaks off.
    """
    long_enough = [number for number, game in enumerate(games) if game.end().ply() >= 20]
    odd = rng.sample(long_enough, min(17, len(games) // 90))
    for number in odd[:8]:
        list(games[number].mainline())[15].comment = rng.choice(REMARKS)
    for number in odd[8:12]:
        _add_variation(games[number], seer)
    for number in odd[12:13]:
        games[number].headers["Result"] = "*"
    texts = [as_text(game) for game in games]
    for number in odd[13:14]:
        head, _, moves = texts[number].partition("\n\n")
        texts[number] = f"{head}\n\n{moves[: len(moves) // 2].rsplit(None, 1)[0]}\n\n"
    for number in odd[14:18]:
        texts[number] *= 2
    return texts


def _add_variation(game: chess.pgn.Game, seer: Seer) -> None:
    node = list(game.mainline())[12]
    assert node.parent is not None
    board = node.parent.board()
    for move in [move for move in seer.look(board)[-1] if move != node.move][:1]:
        node.parent.add_variation(move, comment="was possible too")


def make(engine: str, games: int, seed: int) -> str:
    """The whole sample as PGN text. Each game has dice of its own, so that it matters not in which order."""
    rng = random.Random(seed)
    habits = read_habits(HERE / "habits.csv")
    named = names_of_positions(habits)
    plan = list(pairings(games, make_players(habits, rng), rng))
    training = len(plan) // 2 if len(plan) >= 150 else None
    starts = [TRAINING_POSITION if number == training else chess.STARTING_FEN for number in range(len(plan))]
    tasks = [(f"{seed} {n}", *pair) for n, pair in enumerate(zip(plan, starts, strict=True))]
    with multiprocessing.get_context("spawn").Pool(initializer=_sit_down, initargs=(engine, habits)) as pool:
        progress = tqdm(
            pool.imap(_play, tasks), total=len(tasks), unit="game", file=sys.stderr, mininterval=10
        )
        finished = [
            as_pgn(pairing, played, chess.Board(start), named)
            for (_, pairing, start), played in zip(tasks, progress, strict=True)
        ]
    seer = Seer(engine)
    texts = with_mess(finished, seer, rng)
    seer.close()
    return "".join(texts)


_tables: list[Table] = []  # of this process: one, once it has sat down


def _sit_down(engine: str, habits: Sequence[Habit]) -> None:
    _tables.append(Table(Seer(engine), habits))


def _play(task: tuple[str, Pairing, str]) -> Played:
    seed, pairing, start = task
    return _tables[0].play(pairing, chess.Board(start), random.Random(seed))


def write(text: str, path: Path) -> None:
    """The text as it is, or compressed if the name ends in .zst."""
    data = text.encode("ascii")
    if path.suffix == ".zst":
        data = zstandard.compress(data, level=19)
    path.write_bytes(data)


def main(arguments: Sequence[str] | None = None) -> None:
    """Read the command line, play, write."""
    parser = argparse.ArgumentParser(description="Make the sample: games of an invented junior club.")
    parser.add_argument(
        "--engine", default="stockfish", help="UCI engine (the sample was made with Stockfish 15.1)"
    )
    parser.add_argument("--out", type=Path, default=HERE / "club.pgn", help="target, .pgn or .pgn.zst")
    parser.add_argument("--games", type=int, default=1600)
    parser.add_argument("--seed", type=int, default=2023)
    options = parser.parse_args(arguments)
    engine = shutil.which(options.engine)
    if engine is None:
        parser.error(f"no engine at {options.engine!r}; name one with --engine")
    write(make(engine, options.games, options.seed), options.out)


if __name__ == "__main__":
    main()
