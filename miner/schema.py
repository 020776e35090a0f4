"""The tables, each declared once, with its units. A change of any of them raises SCHEMA_VERSION."""

from __future__ import annotations

import pyarrow as pa

SCHEMA_VERSION = 1

METHODS = {"read": 1, "tally": 1, "judge": 2, "rank": 1}
"""Version of each stage's way of working; raise it when a change of the code changes a number."""


def _column(name: str, kind: pa.DataType, means: str, *, nullable: bool = False) -> pa.Field:
    return pa.field(name, kind, nullable=nullable, metadata={"is": means})


LEDGER_STATES = (
    "kept",
    "kept to illegal move",
    "variant",
    "set-up position",
    "no result",
    "no moves",
    "unreadable",
    "duplicate",
    "filtered",
)
"""What can become of a game that was seen; the first two leave rows in `moves`."""

GAMES = pa.schema(
    [
        _column("game", pa.uint32(), "number of the game in the store, from 0, in reading order"),
        _column("source", pa.string(), "name of the source, and of the member for an archive"),
        _column("number", pa.uint32(), "number of the game in its source, from 1"),
        _column("start_byte", pa.uint64(), "where the game's text begins in the decompressed source"),
        _column("end_byte", pa.uint64(), "where it ends, exclusive"),
        _column("line", pa.uint64(), "line on which the game begins, from 1"),
        _column("white", pa.string(), "White: salted hash, name, or empty, as the names setting says"),
        _column("black", pa.string(), "Black, likewise"),
        _column("white_rating", pa.uint16(), "0: none"),
        _column("black_rating", pa.uint16(), "0: none"),
        _column("date", pa.string(), "as in the Date tag, e.g. 2024.09.15 or ????.??.??"),
        _column("time_class", pa.string(), "bullet, blitz, rapid, classical or unknown"),
        _column("result", pa.string(), "1-0, 0-1, 1/2-1/2 or *"),
        _column("eco", pa.string(), "the ECO tag, or empty"),
        _column("opening", pa.string(), "the Opening and Variation tags, joined by `: `, or empty"),
        _column("plies", pa.uint8(), "plies kept in `moves`"),
        _column("state", pa.string(), "one of LEDGER_STATES"),
        _column("detail", pa.string(), "what exactly was wrong, or empty"),
    ]
)

MOVES = pa.schema(
    [
        _column("game", pa.uint32(), "the game's number in the store"),
        _column("ply", pa.uint8(), "0: the first move of the game"),
        _column("key", pa.uint64(), "Polyglot Zobrist key of the position before the move"),
        _column("move", pa.uint16(), "to, from, promotion: see terms.pack_move"),
        _column("rating", pa.uint16(), "the mover's rating; 0: none"),
        _column("player", pa.uint32(), "32-bit hash of the mover; 0: not known"),
        _column("score", pa.uint8(), "the mover's result in half points: 2 win, 1 draw, 0 loss"),
    ]
)
"""One row per game and position: a position met again in the same game counts at its first visit only."""

REPLIES = pa.schema(
    [
        _column("key", pa.uint64(), "position key"),
        _column("band", pa.string(), "rating band of the mover"),
        _column("move", pa.uint16(), "to, from, promotion"),
        _column("games", pa.int64(), "games of the band in which the reply was chosen"),
        _column("players", pa.int64(), "distinct players among them, as far as they are known"),
        _column("games_unknown", pa.int64(), "those of the games whose player is not known"),
        _column("score_sum", pa.float64(), "of the movers: win 1, draw 0.5, loss 0"),
        _column("mean_rating", pa.float64(), "of the movers; null: unrated", nullable=True),
        _column("games_at_position", pa.int64(), "games of the band through the position"),
        _column("score_sum_at_position", pa.float64(), "of all movers of the band there"),
        _column("pick_rate", pa.float64(), "share (0 to 1) that chose the reply, pooled across bands"),
        _column("pick_rate_low", pa.float64(), "lower bound of its interval"),
        _column("pick_rate_high", pa.float64(), "upper bound of its interval"),
    ]
)

POSITIONS = pa.schema(
    [
        _column("key", pa.uint64(), "position key"),
        _column("fen", pa.string(), "FEN, en passant square only where a capture is legal"),
        _column("ply", pa.uint8(), "least ply at which the position arises"),
        _column("path", pa.string(), "a shortest move path, UCI, space-separated"),
        _column("games", pa.int64(), "games through the position, all bands together"),
        _column("eco", pa.string(), "the commonest ECO tag of those games, or empty"),
        _column("opening", pa.string(), "their commonest opening name, or empty"),
    ]
)

REACH = pa.schema(
    [
        _column("key", pa.uint64(), "position key"),
        _column("band", pa.string(), "band of the side to move, and of all opponents on the way"),
        _column(
            "plain_reach", pa.float64(), "share of the band's games with this colour that reach the position"
        ),
        _column("steered_reach", pa.float64(), "the same when the side not to move always plays towards it"),
        _column("steered_log_variance", pa.float64(), "variance of its natural logarithm"),
    ]
)

JUDGED = pa.schema(
    [
        _column("key", pa.uint64(), "position key"),
        _column("fen", pa.string(), "as in positions"),
        _column("move", pa.uint16(), "the reply"),
        _column("nodes", pa.int64(), "budget of each search that the numbers below come from"),
        _column("best_move", pa.string(), "UCI; empty if inconclusive"),
        _column(
            "cp_best",
            pa.int32(),
            "of the best move, for the mover; a mate in n counts 10000 - n",
            nullable=True,
        ),
        _column("cp_reply", pa.int32(), "of the reply, for the mover", nullable=True),
        _column("exp_best", pa.float64(), "expected score of the best move, for the mover", nullable=True),
        _column("exp_reply", pa.float64(), "expected score of the reply, for the mover", nullable=True),
        _column(
            "loss", pa.float64(), "exp_best - exp_reply, at least 0; 0 if the reply is best", nullable=True
        ),
        _column("nodes_before", pa.int64(), "the budget before; 0: there was none"),
        _column("loss_before", pa.float64(), "the loss at that budget", nullable=True),
        _column(
            "wdl_best", pa.list_(pa.int32()), "engine's own win, draw, loss per mille; empty: it has none"
        ),
        _column("wdl_reply", pa.list_(pa.int32()), "the same after the reply, for the mover"),
        _column("pv_best", pa.list_(pa.string()), "UCI line that begins with the best move"),
        _column("pv_reply", pa.list_(pa.string()), "UCI line that begins with the reply"),
        _column(
            "retreat",
            pa.string(),
            "UCI move that takes a developed piece home after the reply and its answer, or empty",
        ),
        _column(
            "retreat_loss",
            pa.float64(),
            "expected score the mover loses by every move that takes no piece home",
            nullable=True,
        ),
        _column("engine", pa.string(), "name of the engine"),
        _column("state", pa.string(), "judged or inconclusive"),
        _column("detail", pa.string(), "why it is inconclusive, or empty"),
    ]
)
"""One row per candidate: what it loses against the best move, at the deepest budget it was given."""

FINDINGS = pa.schema(
    [
        _column("fen", pa.string(), "position before the losing reply"),
        _column("key", pa.uint64(), "its position key"),
        _column("ply", pa.int64(), "least ply at which it arises"),
        _column("path", pa.string(), "a shortest way to it, SAN, space-separated"),
        _column("eco", pa.string(), "the commonest ECO tag of the games through it"),
        _column("opening", pa.string(), "their commonest opening name"),
        _column("side", pa.string(), "white or black: the side that profits"),
        _column("kind", pa.string(), "trap (the opponent errs) or pitfall (our own side errs)"),
        _column("band", pa.string(), "rating band of the side that errs"),
        _column("games_at_position", pa.int64(), "games of the band through the position"),
        _column("games_with_reply", pa.int64(), "of those, with the losing reply"),
        _column("players_with_reply", pa.int64(), "distinct players among them; 0: none is known"),
        _column("pick_rate", pa.float64(), "share (0 to 1) that chose the losing reply, pooled across bands"),
        _column("pick_rate_low", pa.float64(), "lower bound of its interval"),
        _column("pick_rate_high", pa.float64(), "upper bound"),
        _column("losing_reply", pa.string(), "SAN"),
        _column("losing_reply_uci", pa.string(), "UCI"),
        _column("best_move", pa.string(), "SAN"),
        _column("exp_best", pa.float64(), "expected score (0 to 1) of the best move, for the side that errs"),
        _column("exp_reply", pa.float64(), "expected score of the losing reply, for the side that errs"),
        _column("loss", pa.float64(), "exp_best - exp_reply"),
        _column("cp_best", pa.int64(), "centipawns for the side that errs; mate in n counts 10000 - n"),
        _column("cp_reply", pa.int64(), "the same after the losing reply"),
        _column("reason", pa.string(), "mate, material, tempo, king or position"),
        _column("reason_detail", pa.string(), "what exactly, in words"),
        _column("refutation", pa.string(), "the line that punishes the reply, SAN, space-separated"),
        _column("plain_reach", pa.float64(), "share of the band's games that reach the position"),
        _column("steered_reach", pa.float64(), "share when the side that profits plays towards it"),
        _column("points_per_100", pa.float64(), "points per 100 games that knowing it is worth"),
        _column("points_per_100_low", pa.float64(), "lower bound; the order of the list"),
        _column("observed_with_reply", pa.float64(), "score of those who chose the reply"),
        _column(
            "observed_without_reply",
            pa.float64(),
            "score of the others there; null: there were none",
            nullable=True,
        ),
        _column("engine", pa.string(), "name of the engine"),
        _column("nodes", pa.int64(), "budget of each of the deepest searches"),
        _column(
            "wdl_best",
            pa.list_(pa.int32()),
            "engine's own win, draw, loss per mille for the best move, or empty",
        ),
        _column("wdl_reply", pa.list_(pa.int32()), "the same for the reply"),
        _column("pattern", pa.string(), "how the refutation works, such as double attack or pin, or empty"),
        _column("best_line", pa.string(), "the best move and what follows, SAN, space-separated"),
    ]
)

TABLES = {
    "games": GAMES,
    "moves": MOVES,
    "replies": REPLIES,
    "positions": POSITIONS,
    "reach": REACH,
    "judged": JUDGED,
    "findings": FINDINGS,
}
