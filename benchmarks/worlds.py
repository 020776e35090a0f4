"""Whether points and bounds hold in worlds whose truth is known.

    python -m benchmarks.worlds [--worlds 24] [--games 6000] [--seed 1]

In a world players with ratings choose replies by pick rates that fall with their rating, some replies lose by
the engine, and what each really costs is a part of what it says: parts scatter from reply to reply. Opponents
punish some, the stronger ones more often, and results are drawn, in which the rating gap counts, too. The
games are read, tallied and ranked as any others; the verdicts on candidates, and what followed, are written
as they are there.

claimed: what a list says; true: what its replies are really worth. `bounds met`: share of the replies that
are really worth the lower bound of `points_per_100`, or of the teaching value, or more: 95% are promised.
`first ten`: what the first ten are really worth, by what they claim; all: the same of all. part: the part as
fitted, with its standard deviation; and as it is. `by bound`: what the first ten are really worth if the list
were ordered by the bound, by what they are worth in the order that it has. Each is a mean over worlds, with
its standard error by how these differ.
"""

from __future__ import annotations

import argparse
import itertools
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import chess
import numpy as np
import pandas as pd
import pyarrow as pa
from chess.polyglot import zobrist_hash
from scipy import special

from miner.arrays import Floats
from miner.board.moves import pack
from miner.curve.fit import SATURATION_CP
from miner.judge.candidates import find_candidates
from miner.means import Means
from miner.rank.stage import rank
from miner.read.stage import read
from miner.schema import TABLES
from miner.settings import FollowSettings, JudgeSettings, RankSettings, ReadSettings, TallySettings, as_dict
from miner.store import Store, empty_tables
from miner.tally.stage import tally
from miner.terms import expected_score

WHITES_FIRST, BLACKS_FIRST = ("a3", "b3", "d3", "e3", "a4", "b4"), ("a6", "b6", "c6", "a5", "b5")
WHITES_SECOND, REPLIES = ("g3", "f4", "h4"), ("d6", "e6", "f6", "g6", "h6", "d5")
ANSWERS = ("Nc3", "Nf3", "Nh3")  # the first punishes
WEAKEST, STRONGEST = 800, 2000
MIDDLE = (WEAKEST + STRONGEST) / 2
KEPT = (1.0, 0.2, 0.0)  # of the gain, by the answers
NOISE = 0.12  # standard deviation of what a game's evaluation later on has more than the others, in value
LEAST, MOST = 0.02, 0.98  # that is left of a score by such luck
BY_GAP = 0.05  # of it for 400 rating points
FIRST = 10
_MIN_GAMES = 3  # as the judge asks for in stores of so many games
_ELO = float(np.log(10.0)) / 400.0  # of the usual rating expectation (from memory)


@dataclass(frozen=True, kw_only=True, slots=True)
class Setting:
    """What worlds are like."""

    games: int = 6_000
    part: float = 1.0  # of what the curve says that losing replies cost, on average
    scatter: float = 0.4  # standard deviation of the replies' own parts
    factor: float = 1.0  # by which what evaluations later on tell of replies counts in results
    factor_scatter: float = 0.0  # standard deviation of that, from reply to reply
    later: bool = True  # whether there are such evaluations


@dataclass(frozen=True, slots=True)
class World:
    """Positions with Black to move, by number, and six replies in each: arrays (positions, replies)."""

    paths: tuple[tuple[str, ...], ...]
    likely: Floats  # (positions,): how often each arises
    chosen: Floats  # logarithm of how likely players in the middle choose each reply, up to a constant
    steepness: Floats  # by how much that falls in 400 rating points
    best: Floats  # (positions,): evaluation of the best reply, for Black
    cp: Floats  # after each reply, for Black
    part: Floats  # of the curve's gain, that the reply really costs
    punished: Floats  # of the curve's gain, that players score more who punish it
    factor: Floats  # by which either is more than what evaluations later on tell
    found: Floats  # how likely players in the middle punish it

    @classmethod
    def drawn(cls, random: np.random.Generator, setting: Setting) -> World:
        """A world of this kind."""
        paths = tuple(itertools.product(WHITES_FIRST, BLACKS_FIRST, WHITES_SECOND))
        shape = (len(paths), len(REPLIES))
        firsts = [
            random.dirichlet(np.full(len(some), 2.0)) for some in (WHITES_FIRST, BLACKS_FIRST, WHITES_SECOND)
        ]
        loses = random.uniform(size=shape) < 0.35
        loses[:, 0] = False
        lost = np.where(loses, random.uniform(90.0, 320.0, size=shape), random.uniform(0.0, 25.0, size=shape))
        lost[:, 0] = 0.0
        best = random.normal(0.0, 12.0, size=len(paths)).round()
        relative = np.maximum(random.normal(1.0, setting.factor_scatter, size=shape), 0.2)
        return cls(
            paths,
            np.array([np.prod(shares) for shares in itertools.product(*firsts)]),
            random.normal(0.0, 1.0, size=shape) - 0.6 * loses,
            np.where(loses, random.uniform(0.0, 0.8, size=shape), 0.0),
            best,
            best[:, None] - lost.round(),
            relative
            * np.where(loses, random.normal(setting.part, setting.scatter, size=shape), setting.part),
            relative * np.maximum(random.normal(1.1, 0.3, size=shape), 0.1),
            setting.factor * relative,
            random.uniform(0.2, 0.8, size=shape),
        )

    @property
    def losing(self) -> Any:
        """Whether each reply loses enough to be told."""
        return self.best[:, None] - self.cp >= 80.0

    def picks(self, rating: Floats) -> Floats:
        """How likely players of these ratings choose each reply, (ratings, positions, replies)."""
        weaker = (MIDDLE - rating)[:, None, None] / 400.0
        return np.asarray(special.softmax(self.chosen + weaker * self.steepness, axis=2))

    def finds(self, rating: Floats) -> Floats:
        """How likely they punish each, likewise."""
        stronger = (rating - MIDDLE)[:, None, None] / 400.0
        return np.asarray(np.clip(self.found + 0.1 * stronger, 0.05, 0.95))

    def gains(self, rating: Floats) -> Floats:
        """What the curve of players of these ratings gives from the best reply down to each, likewise."""
        slope = (0.3 + 0.2 * (rating - WEAKEST) / (STRONGEST - WEAKEST))[:, None, None] / 100.0
        gains: Floats = special.expit(slope * self.best[:, None]) - special.expit(slope * self.cp)
        return gains

    def level(self, rating: Floats) -> Floats:
        """What these players score after the best reply, (ratings, positions)."""
        slope = (0.3 + 0.2 * (rating - WEAKEST) / (STRONGEST - WEAKEST))[:, None] / 100.0
        level: Floats = special.expit(slope * self.best)
        return level


def pairings(random: np.random.Generator, games: int) -> tuple[Floats, Floats]:
    """Ratings of White and of Black."""
    middle, gap = random.uniform(WEAKEST, STRONGEST, size=games), random.normal(0.0, 150.0, size=games)
    white, black = (np.clip(middle + side * gap / 2, WEAKEST, STRONGEST - 1).round() for side in (-1, 1))
    return white, black


def scores(
    world: World, white: Floats, black: Floats, *, is_even: bool = False
) -> tuple[Floats, Floats, Floats]:
    """What Black scores in games of these ratings, (games, positions, replies).

    After the best reply; after each if it is punished; and if it is not. With `is_even` the rating gap does
    not count.
    """
    by_gap = (0.0 if is_even else _ELO * 600.0) * np.tanh((black - white) / 600.0)[:, None, None]
    level, gain, found = world.level(black)[:, :, None], world.gains(black), world.finds(white)
    after = level - world.part * gain
    swing = np.where(world.losing, world.punished, 0.0) * gain
    best, punished, missed = (
        np.asarray(special.expit(special.logit(np.clip(score, 0.03, 0.97)) + by_gap))
        for score in (level, after - (1.0 - found) * swing, after + found * swing)
    )
    return best, punished, missed


def games_of(world: World, random: np.random.Generator, games: int) -> pd.DataFrame:
    """Games: place, reply, answer (numbers), white and black (ratings), result (of White), and cp: what the
    engine says nine plies later, for Black.

    What an evaluation has more than those of like games the result has, too.
    """
    place = random.choice(len(world.paths), size=games, p=world.likely)
    white, black = pairings(random, games)
    each = np.arange(games)
    up_to = world.picks(black)[each, place].cumsum(axis=1)
    reply = np.minimum((random.uniform(size=(games, 1)) > up_to).sum(axis=1), len(REPLIES) - 1)
    is_found = random.uniform(size=games) < world.finds(white)[each, place, reply]
    answer = np.where(is_found, 0, random.integers(1, len(ANSWERS), size=games))
    _, punished, missed = scores(world, white, black)
    score = np.where(is_found, punished[each, place, reply], missed[each, place, reply])
    seen = replace(world, part=world.part / world.factor, punished=world.punished / world.factor)
    _, punished, missed = scores(seen, white, black, is_even=True)
    value = np.where(is_found, punished[each, place, reply], missed[each, place, reply])
    luck = random.normal(0.0, NOISE, size=games)
    cp = _cp_of(value + BY_GAP * (black - white) / 400.0 + luck, black)
    score = np.clip(score + luck, LEAST, MOST)
    drawn = np.minimum(0.2, 2.0 * np.minimum(score, 1.0 - score))
    chance = random.uniform(size=games)
    won = score - drawn / 2.0
    result = np.select([chance < won, chance < won + drawn], ["0-1", "1/2-1/2"], "1-0")
    return pd.DataFrame(
        {"place": place, "reply": reply, "answer": answer, "white": white, "black": black, "result": result}
    ).assign(cp=cp)


def after_luck(score: Floats) -> Floats:
    """What is scored on average by who would score so much without luck: where little is left, luck gives.

    The mean of a normal distribution that is cut off at both ends.
    """

    def above(bound: float) -> Floats:
        """By how much luck carries the score beyond a bound, on average."""
        off = (score - bound) / NOISE
        return np.asarray(NOISE * (np.exp(-(off**2) / 2.0) / np.sqrt(2.0 * np.pi) + off * special.ndtr(off)))

    return np.asarray(LEAST + above(LEAST) - above(MOST))


def _cp_of(value: Floats, rating: Floats) -> Floats:
    """The evaluation that players of these ratings make so much of."""
    slope = (0.3 + 0.2 * (rating - WEAKEST) / (STRONGEST - WEAKEST)) / 100.0
    straight = special.logit(np.clip(value, 0.03, 0.97)) / slope
    return np.asarray(SATURATION_CP * np.arctanh(np.clip(straight / SATURATION_CP, -0.98, 0.98))).round()


def store_of(world: World, games: pd.DataFrame, folder: Path, *, later: bool = True) -> Store:
    """The games read and tallied, with verdicts and what followed as they are in this world.

    Without `later` nobody looked whether advantages last.
    """
    folder.mkdir(parents=True, exist_ok=True)
    texts = []
    row: Any
    for number, row in enumerate(games.itertuples(index=False)):
        moves = " ".join((*world.paths[row.place], REPLIES[row.reply], ANSWERS[row.answer]))
        texts.append(
            f'[White "W{number}"]\n[Black "B{number}"]\n[WhiteElo "{row.white:.0f}"]\n'
            f'[BlackElo "{row.black:.0f}"]\n[Date "????.??.??"]\n[Result "{row.result}"]\n\n'
            f"{moves} {row.result}\n"
        )
    (folder / "games.pgn").write_text("\n".join(texts), encoding="utf-8")
    store = Store.create(folder / "store")
    read([str(folder / "games.pgn")], store, ReadSettings(), Means(processes=1))
    tally(store, TallySettings())
    every = _replies(world)
    replies = _judged(every, store)
    _write(store, "judge", {"judged": replies}, JudgeSettings(), {"min_games": _MIN_GAMES})
    followed = _followed(world, games, replies, store)
    if later:
        followed["lasted"] = _lasted(world, games, replies, every)
    _write(store, "follow", followed, FollowSettings(), {})
    return store


def _judged(replies: pd.DataFrame, store: Store) -> pd.DataFrame:
    """Those that the stage would judge: of many games, or likely."""
    replied, reach, positions, foreseen = (
        store.read_table(name) for name in ("replies", "reach", "positions", "foreseen")
    )
    candidates = find_candidates(
        replied, reach, positions, foreseen, store.bands.names, JudgeSettings(min_games=_MIN_GAMES)
    )
    return replies.merge(candidates[["key", "move"]], on=["key", "move"])


def _replies(world: World) -> pd.DataFrame:
    """Rows of `judged`, and where they lead: at, at_fen, place and reply (numbers)."""
    rows = []
    for place, path in enumerate(world.paths):
        board = chess.Board()
        for san in path:
            board.push_san(san)
        best = board.parse_san(REPLIES[0])
        for number, san in enumerate(REPLIES):
            move = board.parse_san(san)
            after = board.copy(stack=False)
            after.push(move)
            answer = after.parse_san(ANSWERS[0])
            cp_best, cp = int(world.best[place]), int(world.cp[place, number])
            loss = expected_score(cp_best) - expected_score(cp)
            rows.append(
                {
                    "key": zobrist_hash(board),
                    "fen": board.fen(en_passant="legal"),
                    "move": pack(move),
                    "nodes": 100_000,
                    "best_move": best.uci(),
                    "cp_best": cp_best,
                    "cp_reply": cp,
                    "exp_best": expected_score(cp_best),
                    "exp_reply": expected_score(cp),
                    "loss": loss,
                    "nodes_before": 20_000,
                    "loss_before": loss,
                    "pv_best": [best.uci()],
                    "pv_reply": [move.uci(), answer.uci()],
                    "retreat": "",
                    "retreat_loss": None,
                    "engine": "none",
                    "state": "judged",
                    "detail": "",
                    **{name: [] for name in ("wdl_best", "wdl_reply", "defences")},
                    "at": zobrist_hash(after),
                    "at_fen": after.fen(en_passant="legal"),
                    "place": place,
                    "reply": number,
                    "answers": [after.parse_san(one) for one in ANSWERS],
                }
            )
    return pd.DataFrame(rows)


def _followed(
    world: World, games: pd.DataFrame, replies: pd.DataFrame, store: Store
) -> dict[str, pd.DataFrame]:
    losing = replies[world.losing[replies["place"], replies["reply"]]]
    names = np.array(store.bands.names)
    played = games.assign(
        band=names[store.bands.places_of(games["white"].to_numpy(dtype=np.int64))],
        score=games["result"].map({"1-0": 1.0, "1/2-1/2": 0.5, "0-1": 0.0}),
        gap=games["white"] - games["black"],
    ).merge(losing[["place", "reply", "key", "move", "at", "answers"]], on=["place", "reply"])
    played["answer"] = [
        pack(moves[number]) for moves, number in zip(played["answers"], played["answer"], strict=True)
    ]
    by_answer = played.groupby(["key", "move", "at", "answer", "band"])
    by_reply = played.groupby(["key", "move", "band"])
    answers = by_answer.agg(games=("score", "size"), score_sum=("score", "sum")).reset_index()
    afterwards = by_reply.agg(
        games=("score", "size"), score_sum=("score", "sum"), mean_rating_gap=("gap", "mean")
    ).reset_index()
    followed = [
        {
            **{name: getattr(row, name) for name in ("key", "move", "at")},
            "fen": row.at_fen,
            "plies": 0,
            "path": "",
            "answer": pack(answer),
            "best_move": row.answers[0].uci(),
            "cp_best": -row.cp_reply,
            "exp_best": 1.0 - row.exp_reply,
            "kept": kept,
            "nodes": row.nodes,
        }
        for row in losing.itertuples(index=False)
        for answer, kept in zip(row.answers, KEPT, strict=True)
    ]
    punishments = losing[["key", "move", "nodes"]].assign(
        answers=[[moves[0].uci()] for moves in losing["answers"]],
        kept=[[1.0]] * len(losing),
        cp=[[-cp] for cp in losing["cp_reply"]],
        taught=[moves[0].uci() for moves in losing["answers"]],
        line=[[moves[0].uci()] for moves in losing["answers"]],
        defence="",
        defence_games=0,
        games_taught=0,
        against_defence=[[]] * len(losing),
    )
    return {
        "followed": pd.DataFrame(followed),
        "answers": answers.assign(players=answers["games"]),
        "punishments": punishments,
        "afterwards": afterwards.assign(players_answering=afterwards["games"]),
    }


def _lasted(world: World, games: pd.DataFrame, replies: pd.DataFrame, every: pd.DataFrame) -> pd.DataFrame:
    """For each losing reply of `replies` the first games that have it, and the first that have another."""
    most, rows = FollowSettings().lasting_games, []
    move_of = every.set_index(["place", "reply"])["move"]
    played = games.assign(
        game=np.arange(len(games)),
        chosen=move_of.reindex(pd.MultiIndex.from_frame(games[["place", "reply"]])).to_numpy(),
    )
    by_place = dict(iter(played.groupby("place")))
    for row in replies[world.losing[replies["place"], replies["reply"]]].itertuples(index=False):
        there = by_place.get(row.place, played[:0])
        for has_reply in (True, False):
            some = there[(there["chosen"] == row.move) == has_reply][:most]
            found = (some["answer"] == 0).astype(object) if has_reply else None
            rows.append(
                some[["game", "chosen", "cp"]].assign(key=np.uint64(row.key), move=row.move, found=found)
            )
    lasted: pd.DataFrame = pd.concat(rows, ignore_index=True).assign(plies=9, won=None)
    return lasted


def _write(
    store: Store, stage: str, tables: dict[str, pd.DataFrame], settings: Any, facts: dict[str, Any]
) -> None:
    """A finished stage with these tables, the others of it empty."""
    whole = empty_tables(stage)
    for name, table in tables.items():
        rows = table.reindex(columns=TABLES[name].names).astype(object)
        rows = rows.where(rows.notna(), None)
        whole[name] = pa.Table.from_pylist(rows.to_dict("records"), TABLES[name])
    before = {"judge": "tally", "follow": "judge"}[stage]
    inputs = {before: store.require(before).fingerprint} | (
        {"engine": {"name": "none"}} if stage == "judge" else {}
    )
    store.write_stage(stage, as_dict(settings), inputs, whole, facts)


def claimed_and_true(world: World, store: Store) -> tuple[pd.DataFrame, dict[str, Any]]:
    """The ranked replies of all bands together in their order, with what they are really worth; and facts."""
    facts = rank(store, RankSettings()).facts
    found = pd.concat([store.read_table(name).to_pandas() for name in ("findings", "missed")])
    found = found.sort_values("teaching_value", ascending=False)
    replies = _replies(world)
    moves = [pack(chess.Move.from_uci(uci)) for uci in found["losing_reply_uci"]]
    found = found.assign(move=moves).merge(replies[["key", "move", "place", "reply"]], on=["key", "move"])
    return found.join(truth(world).set_index(["place", "reply"]), on=["place", "reply"]), facts


def truth(world: World, games: int = 2_000) -> pd.DataFrame:
    """What each reply is really worth: place, reply; per 100 games true_avoid, and as a trap true_points,
    true_punish.

    In games of players who meet as they do, not at equal ratings.
    """
    white, black = pairings(np.random.default_rng(0), games)
    picks, finds = world.picks(black), world.finds(white)
    best, punished, missed = map(after_luck, scores(world, white, black))
    lost = (picks * (best - finds * punished - (1.0 - finds) * missed)).mean(axis=0)
    added = (picks * (1.0 - finds) * (missed - punished)).mean(axis=0)
    steered, plain = _steered(world), world.likely[:, None]
    place, reply = np.indices(lost.shape)
    columns = {
        "place": place,
        "reply": reply,
        "true_rate": picks.mean(axis=0),
        "true_avoid": 100.0 * plain * lost,
        "true_points": 100.0 * steered * lost,
        "true_punish": 100.0 * steered * added,
    }
    return pd.DataFrame({name: values.ravel() for name, values in columns.items()})


def _steered(world: World) -> Floats:
    """How often each position arises if White plays towards it: as often as Black's first move."""
    firsts = [path[1] for path in world.paths]
    total = pd.Series(world.likely).groupby(firsts).transform("sum")
    return total.to_numpy()[:, None]


def measured(found: pd.DataFrame) -> dict[str, float]:
    """How far claims hold."""
    is_trap = (found["kind"] == "trap").to_numpy()
    true = np.where(is_trap, found["true_punish"], found["true_avoid"])
    low = found["teaching_value_low"].to_numpy()
    by_bound = low.argsort()[::-1][:FIRST]
    return {
        "replies": len(found),
        "bounds met: avoid": float((found["true_avoid"] >= found["avoid_value_low"]).mean()),
        "points": float((found["true_points"] >= found["punish_points_low"]).mean()),
        "punish": float((found["true_punish"] >= found["punish_value_low"]).mean()),
        "first ten: avoid": _of_first(found, "avoid_value", "true_avoid"),
        "first ten: punish": _of_first(found, "punish_value", "true_punish"),
        "first ten": float(true[:FIRST].sum() / found["teaching_value"][:FIRST].sum()),
        "all": float(true.sum() / found["teaching_value"].sum()),
        "bounds of the first ten met": float((true >= low)[:FIRST].mean()),
        "by bound": float(true[by_bound].sum() / true[:FIRST].sum()),
    }


def _of_first(found: pd.DataFrame, claimed: str, true: str) -> float:
    first = found.sort_values(claimed, ascending=False)[:FIRST]
    return float(first[true].sum() / first[claimed].sum())


def lived(setting: Setting, seed: int, folder: Path) -> dict[str, float]:
    """What holds in one world."""
    random = np.random.default_rng(seed)
    world = World.drawn(random, setting)
    games = games_of(world, random, setting.games)
    found, facts = claimed_and_true(world, store_of(world, games, folder, later=setting.later))
    parts = {name: facts[name] for name in facts if name.startswith(("part_", "later_"))}
    return measured(found) | parts


def table_of(settings: list[Setting], worlds: int, seed: int) -> pd.DataFrame:
    """A column for each kind of world: means over so many of them, and standard errors."""
    columns = []
    with tempfile.TemporaryDirectory() as folder, ProcessPoolExecutor() as pool:
        for kind, setting in enumerate(settings):
            seeds = [seed + kind * worlds + number for number in range(worlds)]
            told: list[dict[str, float]] = list(
                pool.map(lived, itertools.repeat(setting), seeds, [Path(folder) / str(one) for one in seeds])
            )
            facts = {name: str(value) for name, value in asdict(setting).items()}
            columns.append(facts | {name: _with_error([world[name] for world in told]) for name in told[0]})
    return pd.DataFrame(columns).T


def _with_error(values: list[float]) -> str:
    return f"{np.mean(values):.3f} ± {np.std(values, ddof=1) / np.sqrt(len(values)):.3f}"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--worlds", type=int, default=24)
    parser.add_argument("--games", type=int, default=6_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    if asked.worlds < 2:
        parser.error("--worlds: two or more, else nothing tells by how much they differ")
    settings = [
        Setting(games=asked.games, part=part, scatter=scatter, factor_scatter=of_factor)
        for part, scatter, of_factor in ((1.0, 0.0, 0.0), (1.0, 0.4, 0.2), (0.6, 0.4, 0.2))
    ]
    print(table_of(settings, asked.worlds, asked.seed).to_string(header=False))


if __name__ == "__main__":
    main()
