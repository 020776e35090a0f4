"""Stores whose tables are written by hand, so that a page has in it just what a test is about."""

from __future__ import annotations

import json
import random
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import chess
import chess.polyglot
import pyarrow as pa

from miner.board.moves import pack
from miner.finding.finding import Finding
from miner.finding.mistake import Reply
from miner.finding.words import plain
from miner.reasons import Pattern, Reason
from miner.report.comments import Ask, Beside, Comments
from miner.report.contents import CommentsOn
from miner.schema import GAMES, TABLES
from miner.store import Manifest, Store
from miner.terms import ALL_BANDS, Kind
from tests.export.examples import finding, first_move, legal, table, vienna
from tests.stores import finish, write_table

BANDS = ("800-999", "1000-1199", "1200-1399")
EDGES = [800, 1000, 1200, 1400]
Row = dict[str, Any]

HOSTILE = '</script><img src=x onerror="window.caught=1">\u202e"&\x1b[31m<!--'
"""What a tag of a PGN may hold; it would run, hide or turn around text where it is not escaped."""


def contents_of(page: Path) -> dict[str, Any]:
    """The values that a report holds for its scripts."""
    [found] = re.findall(r'id="contents">(.*?)</script>', page.read_text(encoding="utf-8"), re.DOTALL)
    return dict(json.loads(found))


def club_findings() -> list[Finding]:
    """Six findings in which each kind, both sides, two bands and what may be missing occur."""
    return [
        vienna(pattern=Pattern.TRAPPED_PIECE, teaching_value=0.9, teaching_value_low=0.7),
        vienna(band="800-999", pick_rate=0.5, teaching_value=0.8, teaching_value_low=0.6),
        legal(
            find_rate=None,
            find_rate_low=None,
            find_rate_high=None,
            points_per_100=0.6,
            teaching_value=0.6,
            punish_gain=0.6 / (100 * 0.25 * 0.35),  # as if nobody punished it
            pattern=Pattern.MATING_NET,
        ),
        legal(
            band="800-999",
            kind=Kind.PITFALL,
            conversion_expected=None,
            conversion_observed=None,
            opening="Philidor: Legal's mate",
        ),
        first_move(teaching_value=0.3, teaching_value_low=0.1),
        finding(
            "e4 e5 Qh5",
            "g6",
            "Qxe5+ Be7 Qxh8",
            "Nc6 Bc4 g6",
            loss=0.4,
            teaching_value=0.2,
            teaching_value_low=0.05,
            reason=Reason.MATERIAL,
            reason_detail="wins a rook and a pawn",
            pattern=Pattern.DOUBLE_ATTACK,
            opening="Queen's Raid",
        ),
    ]


def written_store(
    folder: Path, findings: Sequence[Finding], tables: Mapping[str, Sequence[Row]] = {}
) -> Store:
    """A store with these findings, with replies that fit them, and with what else is given."""
    store = Store.create(folder / "store")
    rows = {"replies": replies_for(findings), "games": [game_row(0)]} | dict(tables)
    for name, some in rows.items():
        if name == "games":
            (store.root / "games").mkdir()
            pa.parquet.write_table(
                pa.Table.from_pylist(list(some), GAMES), store.root / "games" / "0.parquet"
            )
        else:
            write_table(store, name, pa.Table.from_pylist(list(some), TABLES[name]))
    write_table(store, "by_band", table(*findings))
    together: dict[Reply, Finding] = {}
    for one in findings:
        together.setdefault(one.reply, replace(one, band=ALL_BANDS))
    in_order = sorted(together.values(), key=lambda one: -one.teaching_value)
    write_table(store, "findings", table(*in_order))
    read = finish(
        store, _manifest("read", {}, {"sources": [{"name": "club.pgn", "size_bytes": 1}]}, ["games"])
    )
    tally = finish(store, _manifest("tally", {"band_edges": EDGES}, {"read": read.fingerprint}, ["replies"]))
    judge = finish(store, _manifest("judge", {"hash_mb": 16}, {"tally": tally.fingerprint}, []))
    follow = finish(store, _manifest("follow", {"kept": 0.75}, {"judge": judge.fingerprint}, []))
    made_from = {"judge": judge.fingerprint, "follow": follow.fingerprint}
    finish(store, _manifest("rank", {}, made_from, ["findings", "by_band"]))
    return store


def _manifest(stage: str, settings: dict[str, Any], inputs: dict[str, Any], tables: list[str]) -> Manifest:
    facts = {"ledger": {"kept": 100, "duplicate": 2}} if stage == "read" else {}
    return Manifest(
        stage=stage, settings=settings, inputs=inputs, rows=dict.fromkeys(tables, 102), facts=facts
    )


def game_row(game: int, **changes: Any) -> Row:
    """A row of GAMES."""
    row = {
        "game": game,
        "source": "club.pgn",
        "number": game + 1,
        "start_byte": 0,
        "end_byte": 1,
        "line": 1,
        "white": "",
        "black": "",
        "white_player": 0,
        "black_player": 0,
        "white_rating": 1100,
        "black_rating": 1050,
        "date": "2025.03.02",
        "time_class": "rapid",
        "result": "1-0",
        "eco": "",
        "opening": "",
        "plies": 30,
        "signature": 0,
        "state": "kept",
        "detail": "",
    }
    return row | changes


def replies_for(findings: Sequence[Finding]) -> list[Row]:
    """As if every band had played 50 games along the path of each finding up to its losing reply."""
    there: Counter[int] = Counter()
    chosen: Counter[tuple[int, int]] = Counter()
    for one in findings:
        board = chess.Board()
        for san in [*one.path, one.losing_reply]:
            move = board.parse_san(san)
            key = chess.polyglot.zobrist_hash(board)
            there[key] += 50
            chosen[key, pack(move)] += 50
            board.push(move)
    return [
        _reply(key, move, band, games, there[key]) for (key, move), games in chosen.items() for band in BANDS
    ]


def _reply(key: int, move: int, band: str, games: int, there: int) -> Row:
    share = games / there
    return dict.fromkeys(TABLES["replies"].names, 0.0) | {
        "key": key,
        "band": band,
        "move": move,
        "games": games,
        "players": 9,
        "games_unknown": 0,
        "mean_rating": None,
        "games_at_position": there,
        "players_at_position": 20,
        "pick_rate": share,
        "pick_rate_low": 0.8 * share,
        "pick_rate_high": min(1.0, 1.2 * share),
    }


def legal_model(**changes: Any) -> Row:
    """A row of MODEL_GAMES in which Légal's mate was given."""
    about = legal()
    board = chess.Board()
    for san in (*about.path, about.losing_reply, *about.refutation):
        board.push_san(san)
    key, move = about.reply
    row = {
        "key": key,
        "move": move,
        "place": 1,
        "game": 0,
        "winner_rating": 1800,
        "loser_rating": 0,
        "date": "2024.??.??",
        "result": "1-0",
        "moves": " ".join(move.uci() for move in board.move_stack),
        "reply_ply": about.ply,
        "quality": 0.0,
        "moments": [about.ply + 1],
        "score": 1.0,
    }
    return row | changes


def legal_comments() -> CommentsOn:
    """What may be said of that game: of 5.Nxe5 what is hostile, with a stop each of the last two."""
    bishop = Ask(name="Stop 1", question="How?", hint="Look at the checks.", answer="6.Bxf7+ Ke7 7.Nd5#")
    knight = Ask(name="Stop 2", question="And now?", hint="Look at the knight.", answer="7.Nd5#")
    beside = (
        Beside(ply=8, sign="!!", said=plain(HOSTILE)),
        Beside(ply=10, said="The only move.", ask=bishop),
        Beside(ply=12, sign="!", said="Two knights and a bishop mate.", ask=knight),
    )
    return {(legal().reply, 0): Comments(introduction="Two stops.", beside=beside)}


def legal_season() -> Row:
    """A row of SEASONS about 5...Bxd1 of Légal's mate."""
    counts = {"season": "2024/25", "games_at_position": 50, "games_with_reply": 10}
    shares = {"share": 0.2, "share_low": 0.1, "share_high": 0.3}
    return {"key": legal().key, "move": legal_model()["move"]} | counts | shares


def followed_tables() -> dict[str, list[Row]]:
    """Tables of `follow` about 5...Bxd1 of Légal's mate: of 8 players 3 went wrong by 6.Kxd1; two plans."""
    about = legal()
    board = about.board_after
    reply = dict(zip(("key", "move"), about.reply, strict=True))
    at = chess.polyglot.zobrist_hash(board)
    followed, answers = [], []
    for uci, games, kept in (("c4f7", 5, 1.0), ("e1d1", 3, 0.1)):
        answer = reply | {"at": at, "answer": pack(chess.Move.from_uci(uci))}
        answers.append(answer | {"band": BANDS[1], "games": games, "players": games, "score_sum": 1.0})
        place = {"fen": board.fen(), "plies": 0, "path": "", "best_move": "c4f7", "cp_best": 9998}
        scores = {"cp_answer": 0, "exp_best": 1.0, "exp_answer": 0.2 + 0.8 * kept, "kept": kept, "nodes": 9}
        followed.append(answer | place | scores)
    ways = [
        ("strongest", "piece", "knight d5", "c3", "d5", 0.9),
        ("strongest", "pawn", "pawn d4", "d2", "d4", 0.3),
        ("strongest", "castling", "castling short", "", "", 0.4),
        (BANDS[1], "castling", "castling short", "", "", 0.6),
    ]
    names = ("players", "theme", "detail", "from_square", "to_square", "share")
    plans = [reply | {"games": 20} | dict(zip(names, way, strict=True)) for way in ways]
    judged = [_empty("judged") | reply | {"fen": about.fen}]
    return {"followed": followed, "answers": answers, "plans": plans, "judged": judged}


def _empty(table: str) -> Row:
    """A row that tells nothing: null where that is allowed."""
    return {one.name: None if one.nullable else _nothing(one.type) for one in TABLES[table]}


def _nothing(kind: pa.DataType) -> Any:
    if pa.types.is_list(kind):
        return []
    return "" if pa.types.is_string(kind) else 0


def many_findings(number: int) -> list[Finding]:
    """So many different losing replies after random moves, the same each time."""
    draw = random.Random(7)
    found: dict[tuple[str, str], Finding] = {}
    while len(found) < number:
        board = chess.Board()
        path = _random_line(board, draw, draw.randint(4, 14))
        replies = [board.san(move) for move in board.legal_moves]
        if len(replies) < 2:
            continue
        reply, best = draw.sample(sorted(replies), 2)
        after = board.copy()
        after.push_san(reply)
        refutation = _random_line(after, draw, 6)
        worth = draw.uniform(0.01, 3.0)
        found[(board.fen(), reply)] = finding(
            " ".join(path),
            reply,
            " ".join(refutation),
            best,
            band=draw.choice(BANDS),
            teaching_value=worth,
            teaching_value_low=worth / 2,
            pick_rate=draw.uniform(0.03, 0.9),
            reason=draw.choice(list(Reason)),
            kind=draw.choice(list(Kind)),
            opening=f"Opening {draw.randint(1, 60)}",
        )
    return list(found.values())


def _random_line(board: chess.Board, draw: random.Random, plies: int) -> list[str]:
    line = []
    for _ in range(plies):
        moves = sorted(board.legal_moves, key=chess.Move.uci)
        if moves:
            line.append(board.san_and_push(draw.choice(moves)))
    return line
