"""The tables, each declared once, with its units. A change of any of them raises SCHEMA_VERSION."""

from __future__ import annotations

from typing import Literal

import pyarrow as pa

from miner.reasons import Reason
from miner.terms import alternatives

SCHEMA_VERSION = 14

METHODS = {"read": 5, "tally": 9, "judge": 7, "scan": 9, "follow": 8, "rank": 29}
"""Version of each stage's way of working; raise it when a change of the code changes a number."""


Stored = Literal["DELTA_BINARY_PACKED", "BYTE_STREAM_SPLIT", "PLAIN"]
"""How Parquet stores a column: the steps from row to row, each byte of the numbers apart, or as it is."""

STEPS: Stored = "DELTA_BINARY_PACKED"
BYTES: Stored = "BYTE_STREAM_SPLIT"
PLAIN: Stored = "PLAIN"

UINT8, UINT16, UINT32, UINT64 = pa.uint8(), pa.uint16(), pa.uint32(), pa.uint64()
INT32, INT64, FLOAT, TEXT = pa.int32(), pa.int64(), pa.float64(), pa.string()


def _table(*columns: pa.Field) -> pa.Schema:
    return pa.schema(columns)


def _column(
    name: str, kind: pa.DataType, means: str, *, nullable: bool = False, stored: Stored | None = None
) -> pa.Field:
    """`stored`: for numbers of which a dictionary, which others get, would only cost time and room."""
    metadata = {"is": means} | ({"stored": stored} if stored else {})
    return pa.field(name, kind, nullable=nullable, metadata=metadata)


def _nullable(name: str, kind: pa.DataType, means: str) -> pa.Field:
    return _column(name, kind, means, nullable=True)


def encodings_of(schema: pa.Schema) -> dict[str, str]:
    """The columns that are to be stored without a dictionary, and how Parquet is to store each."""
    encodings = {column.name: (column.metadata or {}).get(b"stored", b"").decode() for column in schema}
    return {name: stored for name, stored in encodings.items() if stored}


KEPT = ("kept", "kept to illegal move", "kept to open bracket")
LEDGER_STATES = (
    *KEPT,
    "variant",
    "set-up position",
    "no result",
    "no moves",
    "unreadable",
    "duplicate",
    "filtered",
    "forgotten",
)
"""The states of the games that were seen; the first three leave rows in `moves`."""

GAMES = _table(
    _column("game", UINT32, "number of the game in the store, from 0, in reading order", stored=STEPS),
    _column("source", TEXT, "name of the source, and of the member for an archive"),
    _column("number", UINT32, "number of the game in its source, from 1", stored=STEPS),
    _column("start_byte", UINT64, "where the game's text begins in the decompressed source", stored=STEPS),
    _column("end_byte", UINT64, "where it ends, exclusive", stored=STEPS),
    _column("line", UINT64, "line on which the game begins, from 1", stored=STEPS),
    _column("white", TEXT, "White: salted hash, name, or empty, as the names setting says"),
    _column("black", TEXT, "Black, likewise"),
    _column("white_player", UINT32, "32-bit hash of White; 0: not known", stored=PLAIN),
    _column("black_player", UINT32, "32-bit hash of Black; 0: not known", stored=PLAIN),
    _column("white_rating", UINT16, "0: none"),
    _column("black_rating", UINT16, "0: none"),
    _column("date", TEXT, "as in the Date tag, e.g. 2024.09.15 or ????.??.??"),
    _column("time_class", TEXT, "bullet, blitz, rapid, classical, correspondence or unknown"),
    _column("result", TEXT, "1-0, 0-1, 1/2-1/2 or *"),
    _column("eco", TEXT, "the ECO tag, or empty"),
    _column("opening", TEXT, "the Opening and Variation tags, joined by `: `, or empty"),
    _column("plies", UINT8, "plies kept in `moves`"),
    _column(
        "signature", UINT64, "equal for equal players, date, result and moves; 0: not compared", stored=PLAIN
    ),
    _column("state", TEXT, "one of LEDGER_STATES"),
    _column("detail", TEXT, "what exactly was wrong, or empty"),
)

MOVES = _table(
    _column("game", UINT32, "the game's number in the store", stored=STEPS),
    _column("ply", UINT8, "0: the first move of the game"),
    _column("key", UINT64, "Polyglot Zobrist key of the position before the move", stored=STEPS),
    _column("move", UINT16, "to, from, promotion: see terms.pack_move"),
)
"""One row per game and position: a position met again in the same game counts at its first visit only.

Who moved, of what rating and with what result, stands once for all moves of a game: in `games`.
"""

REPLIES = _table(
    _column("key", UINT64, "position key", stored=STEPS),
    _column("band", TEXT, "rating band of the mover"),
    _column("move", UINT16, "to, from, promotion"),
    _column("games", INT64, "games of the band in which the reply was chosen, with those of the prior"),
    _column("games_elsewhere", INT64, "those of the games that are the prior's; 0: there is none"),
    _column("players", INT64, "distinct players among them, as far as they are known"),
    _column("games_unknown", INT64, "those of the games whose player is not known"),
    _column("score_sum", FLOAT, "of the movers: win 1, draw 0.5, loss 0"),
    _nullable("mean_rating", FLOAT, "of the movers; null: unrated"),
    _column("games_at_position", INT64, "games of the band through the position, likewise"),
    _column("games_at_position_elsewhere", INT64, "those of them that are the prior's"),
    _column("score_sum_at_position", FLOAT, "of all movers of the band there"),
    _column("players_at_position", INT64, "distinct players of the band there, as far as known"),
    _column("games_squared", FLOAT, "each player's games with the reply, squared and added up"),
    _column("games_squared_at_position", FLOAT, "the same of each player's games there"),
    _column("pick_rate", FLOAT, "share (0 to 1) that chose the reply, pooled across bands", stored=BYTES),
    _column("pick_rate_low", FLOAT, "lower bound of its interval", stored=BYTES),
    _column("pick_rate_high", FLOAT, "upper bound of its interval", stored=BYTES),
)

POSITIONS = _table(
    _column("key", UINT64, "position key", stored=STEPS),
    _column("fen", TEXT, "FEN, en passant square only where a capture is legal"),
    _column("ply", UINT8, "least ply at which the position arises"),
    _column("path", TEXT, "a shortest move path, UCI, space-separated"),
    _column("games", INT64, "games through the position, all bands together; none of the prior's"),
    _column("eco", TEXT, "the commonest ECO tag of those games, or empty"),
    _column("opening", TEXT, "their commonest opening name, or empty"),
)

REACH = _table(
    _column("key", UINT64, "position key", stored=STEPS),
    _column("band", TEXT, "band of the side to move, and of all opponents on the way"),
    _column("plain_reach", FLOAT, "share of the band's games with this colour that reach the position"),
    _column("reach_games", FLOAT, "games there by which that share would be as sure"),
    _column(
        "steered_reach", FLOAT, "the same when the side not to move always plays towards it", stored=BYTES
    ),
    _column("steered_log_variance", FLOAT, "variance of its natural logarithm", stored=BYTES),
)

EDGES = _table(
    _column("place", UINT32, "of the position among all with enough games, by their keys", stored=STEPS),
    _column("move", UINT16, "a reply there, of any band"),
    _nullable("change", UINT64, "exclusive or of the keys before and after it; null: no way to the position"),
)
"""One row per reply at a position with enough games, ordered by its key and the move: where it leads.

The rows whose `change` is not null are those of `positions`, place by place.

What a move changes of a key is the same in many positions, and takes a tenth of the room of another key.
"""

HABITS = _table(
    _column("place", UINT32, "place of a class of moves among all: see board.looks"),
    _column("weight", FLOAT, "what it adds to the logarithm of a move's odds"),
    _column("slope", FLOAT, "the same for each 400 points of the player's rating above `usual`"),
    _column("usual", FLOAT, "the rating that counts as 0; 0: no player of the games has one"),
    _column("positions", INT64, "positions that all were fitted to"),
)
"""One row per class of moves that was met: what the players of these games, or of the prior's, choose by."""

FORESEEN = _table(
    _column("key", UINT64, "position key", stored=STEPS),
    _column("band", TEXT, "a rating band with games at the position"),
    _column("move", UINT16, "a legal move that none of them chose, whether another band did or not"),
    _column("pick_rate", FLOAT, "share (0 to 1) of the band that may choose it all the same", stored=BYTES),
)
"""One row per move that is likely by players' habits though no game of the band has it there."""

JUDGED = _table(
    _column("key", UINT64, "position key"),
    _column("fen", TEXT, "as in positions"),
    _column("move", UINT16, "the reply"),
    _column("nodes", INT64, "budget of each search that the numbers below come from"),
    _column("best_move", TEXT, "UCI; empty if inconclusive"),
    _nullable("cp_best", INT32, "of the best move, for the mover; a mate in n counts 10000 - n"),
    _nullable("cp_reply", INT32, "of the reply, for the mover"),
    _nullable("exp_best", FLOAT, "expected score of the best move, for the mover"),
    _nullable("exp_reply", FLOAT, "expected score of the reply, for the mover"),
    _nullable("loss", FLOAT, "exp_best - exp_reply, at least 0; 0 if the reply is best"),
    _column("nodes_before", INT64, "the budget before; 0: there was none"),
    _nullable("loss_before", FLOAT, "the loss at that budget"),
    _column("wdl_best", pa.list_(INT32), "engine's own win, draw, loss per mille; empty: it has none"),
    _column("wdl_reply", pa.list_(INT32), "the same after the reply, for the mover"),
    _column("pv_best", pa.list_(TEXT), "UCI line that begins with the best move"),
    _column("pv_reply", pa.list_(TEXT), "UCI line that begins with the reply"),
    _column(
        "retreat", TEXT, "UCI move that takes a developed piece home after the reply and its answer, or empty"
    ),
    _nullable("retreat_loss", FLOAT, "expected score the mover loses by every move that takes no piece home"),
    _column("defences", pa.list_(TEXT), "UCI lines that begin with a losing reply: other defences as good"),
    _column("engine", TEXT, "name of the engine"),
    _column("state", TEXT, "judged or inconclusive"),
    _column("detail", TEXT, "why it is inconclusive, or empty"),
)
"""One row per candidate: what it loses against the best move, at the deepest budget it was given."""

MOMENTS = _table(
    _column("game", UINT32, "the game's number in the store", stored=STEPS),
    _column("ply", UINT8, "of the mistake; 0: the first move of the game"),
    _column("key", UINT64, "position before the mistake", stored=PLAIN),
    _column("fen", TEXT, "of the same"),
    _column("band", TEXT, "rating band of who errs"),
    _column("player", UINT32, "32-bit hash of who errs; 0: not known", stored=PLAIN),
    _column("band_other", TEXT, "rating band of who may punish"),
    _column("player_other", UINT32, "32-bit hash of who may punish; 0: not known", stored=PLAIN),
    _column("move", UINT16, "the mistake: to, from, promotion"),
    _column("losing_reply", TEXT, "the mistake, SAN"),
    _column("losing_reply_uci", TEXT, "the same, UCI"),
    _column("best_move", TEXT, "the best move there, UCI"),
    _column("answers", pa.list_(TEXT), "UCI: moves that keep most of the gain, the best first"),
    _column(
        "kept", pa.list_(FLOAT), "share (0 to 1) of the gain that each keeps; at least what makes it good"
    ),
    _column("cp_best", INT32, "of the best move, for who errs; a mate in n counts 10000 - n"),
    _column("cp_reply", INT32, "of the mistake, likewise"),
    _column("exp_best", FLOAT, "expected score of the best move, for who errs"),
    _column("exp_reply", FLOAT, "expected score of the mistake, likewise"),
    _column("loss", FLOAT, "exp_best - exp_reply"),
    _column("played", TEXT, "the answer in the game, UCI; empty: the game ends there, or is cut off"),
    _nullable("found", pa.bool_(), "whether that is one of the answers; null: there is none"),
    _nullable("found_best", pa.bool_(), "whether it is the best of them"),
    _nullable("chance", FLOAT, "that a player rated 1500 finds an answer, by a model; null: too few to fit"),
    _column("reason", TEXT, alternatives(Reason)),
    _column("reason_detail", TEXT, "what exactly, in words"),
    _column("motif", TEXT, "by what it is punished, as finely as five players fell for it"),
    _column("pattern", TEXT, "the pattern of that"),
    _column("piece", TEXT, "what strikes: K, Q, R, B, N or P; empty: nothing does"),
    _column("square", TEXT, "where, as seen by who punishes playing as White; or empty"),
    _column("wins", TEXT, "what is won, such as a knight for a pawn; or empty"),
    _column("opening", TEXT, "name of the opening or variation that the game had reached, or empty"),
    _column("by", TEXT, "what kind of move the mistake is: capture, pawn move, castling, development ..."),
    _column("nodes", INT64, "budget of the deepest search"),
    _column("pv_best", pa.list_(TEXT), "UCI line that begins with the best move"),
    _column("pv_reply", pa.list_(TEXT), "UCI line that begins with the mistake, then the best answer"),
    _column("pv_defence", pa.list_(TEXT), "the same with another defence as good, or empty"),
)
"""One row per mistake in a scanned game, whether its position recurs or not."""

MOTIFS = _table(
    _column("band", TEXT, "rating band, or all together"),
    _column("motif", TEXT, "in words"),
    _column("pattern", TEXT, "the pattern"),
    _column("piece", TEXT, "what strikes, K, Q, R, B, N or P; empty: any piece"),
    _column("square", TEXT, "where, as seen by who punishes playing as White; empty: anywhere"),
    _column("games_scanned", INT64, "games of players of the band in the sample; one with two counts twice"),
    _column("games", INT64, "of those, in which the player fell for it"),
    _column("players", INT64, "distinct players among them; each who is not known is another"),
    _column("per_100", FLOAT, "of 100 games of the band's players, those in which they fall for it"),
    _column("per_100_low", FLOAT, "lower bound of its interval, which takes players as the unit"),
    _column("per_100_high", FLOAT, "upper bound"),
    _column(
        "chances",
        INT64,
        "games in which a player of the band could punish it, and went on; the first in each counts",
    ),
    _column("chance_players", INT64, "distinct players among them; each who is not known is another"),
    _column("found", INT64, "of the chances, those in which one of the answers was played"),
    _column("found_best", INT64, "and in which the best of them was"),
    _nullable("find_rate", FLOAT, "share (0 to 1) who play an answer; null: fewer than five players met it"),
    _nullable("find_rate_low", FLOAT, "lower bound of its interval, which takes players as the unit"),
    _nullable("find_rate_high", FLOAT, "upper bound"),
    _nullable("best_rate", FLOAT, "share who play the best answer"),
    _column("gain", FLOAT, "expected score that it costs, mean"),
    _column(
        "costs",
        FLOAT,
        "points that it costs players of the band in 100 games, by the engine: gain * (per_100 + 100 * "
        "(1 - find_rate) * chances / games_scanned), for falling for it and for not finding it; where "
        "find_rate is null, gain * per_100",
    ),
    _column("costs_low", FLOAT, "the same with per_100_low and find_rate_high"),
    _column("recurs", pa.bool_(), "whether five players or more of the sample, of any bands, fell for it"),
)
"""How often each motif occurs and is punished: a row per band and node of the tree pattern, piece, square."""

FOLLOWED = _table(
    _column("key", UINT64, "position before the losing reply"),
    _column("move", UINT16, "the losing reply"),
    _column("at", UINT64, "position in which the side that profits is to move"),
    _column("fen", TEXT, "of that position"),
    _column("plies", UINT8, "least plies from the losing reply to there; 0: right after it"),
    _column("path", TEXT, "the commonest moves from the losing reply to there, UCI, space-separated"),
    _column("answer", UINT16, "a move chosen there"),
    _column("best_move", TEXT, "UCI; right after the reply the taught answer; empty if inconclusive"),
    _nullable("cp_best", INT32, "of the best move, for the side that profits"),
    _nullable("cp_answer", INT32, "of the answer, for the side that profits"),
    _nullable("exp_best", FLOAT, "expected score of the best move, for the same side"),
    _nullable("exp_answer", FLOAT, "expected score of the answer"),
    _nullable(
        "kept",
        FLOAT,
        "share (0 to 1) of the gain that is left, raised to what makes it good where it is; null: unknown",
    ),
    _column("nodes", INT64, "budget of the search of the answer; 0: it was not judged"),
)
"""One row per losing reply, later position and answer there: how well the side that profits goes on."""

ANSWERS = _table(
    _column("key", UINT64, "position before the losing reply"),
    _column("move", UINT16, "the losing reply"),
    _column("at", UINT64, "position in which the side that profits is to move"),
    _column("answer", UINT16, "a move chosen there"),
    _column("band", TEXT, "rating band of the player who chose it"),
    _column("games", INT64, "games, in all of which the losing reply had been played"),
    _column("players", INT64, "distinct players among them, as far as they are known"),
    _column("score_sum", FLOAT, "of the players who chose it: win 1, draw 0.5, loss 0"),
)
"""How often players of each band chose each of the answers in `followed`."""

PUNISHMENTS = _table(
    _column("key", UINT64, "position before the losing reply"),
    _column("move", UINT16, "the losing reply"),
    _column("answers", pa.list_(TEXT), "UCI: all moves that keep most of the gain, the best first"),
    _column(
        "kept", pa.list_(FLOAT), "share (0 to 1) of the gain that each keeps; at least what makes it good"
    ),
    _column("cp", pa.list_(INT32), "of each, for the side that profits; a mate in n counts 10000 - n"),
    _column("taught", TEXT, "UCI: the one of them that is taught; empty: no answer is known"),
    _column("line", pa.list_(TEXT), "UCI line that begins with it: the best defence against it"),
    _column("nodes", INT64, "budget of each search of an answer: that of the verdict"),
    _column("defence", TEXT, "UCI: what the side that erred played most after it, or empty: too few games"),
    _column("defence_games", INT64, "games in which it did"),
    _column("games_taught", INT64, "games that went on after the taught answer"),
    _column("against_defence", pa.list_(TEXT), "UCI line that begins with the best move against the defence"),
)
"""One row per losing reply: what punishes it. No answers: the engine could not say."""

AFTERWARDS = _table(
    _column("key", UINT64, "position before the losing reply"),
    _column("move", UINT16, "the losing reply"),
    _column("band", TEXT, "rating band of the player who profits"),
    _column("games", INT64, "games with the losing reply against players of the band"),
    _column("score_sum", FLOAT, "of the players who profit: win 1, draw 0.5, loss 0"),
    _nullable(
        "mean_rating_gap", FLOAT, "rating of the player who profits less that of the other; null: not known"
    ),
    _column("players_answering", INT64, "distinct players who answered; each who is not known is another"),
)
"""The scores of the side that profits from a losing reply, per band of its players."""

LASTED = _table(
    _column("key", UINT64, "position before the losing reply"),
    _column("move", UINT16, "the losing reply"),
    _column("game", UINT32, "a game through the position, of the sample"),
    _column("chosen", UINT16, "the move played there: the losing reply, or another"),
    _nullable("found", pa.bool_(), "whether the reply was punished; null: not played, or nobody could say"),
    _column("plies", UINT8, "plies from the move to the position looked at; fewer where the game ends"),
    _nullable("cp", INT32, "of that position, for who was to move in the first; null: inconclusive"),
    _nullable("won", INT32, "pawns won there with the taught answer, captures settled; null: another"),
)
"""What had become of the position nine plies later: a row per losing reply and game of the sample.

One half of the sample chose the losing reply, the other another move.
"""

MODEL_GAMES = _table(
    _column("key", UINT64, "position before the losing reply"),
    _column("move", UINT16, "the losing reply"),
    _column("place", UINT8, "from 1: games with the taught answer first, of these the best"),
    _column("game", UINT32, "the game's number in the store"),
    _column("winner_rating", UINT16, "0: none"),
    _column("loser_rating", UINT16, "0: none"),
    _column("date", TEXT, "as in the Date tag"),
    _column("result", TEXT, "1-0 or 0-1"),
    _column("moves", TEXT, "the whole game, UCI, space-separated"),
    _column("reply_ply", UINT16, "ply of the losing reply in this game"),
    _column("quality", FLOAT, "expected score the winner gave away per move after the reply, mean"),
    _column("moments", pa.list_(UINT16), "plies of the moves that mattered"),
    _column("score", FLOAT, "what the order is made by: higher is better"),
)
"""Whole games in which the losing reply was played and punished, the most instructive first."""

PLANS = _table(
    _column("key", UINT64, "position before the losing reply"),
    _column("move", UINT16, "the losing reply"),
    _column("players", TEXT, "strongest, or a rating band"),
    _column("games", INT64, "won games that the shares are taken over"),
    _column("theme", TEXT, "piece, pawn, castling or exchange: what the row is about; see `detail`"),
    _column("detail", TEXT, "e.g. knight f5 · pawn d5 · castling short · exchange queen queen"),
    _column("from_square", TEXT, "where the piece stood after the losing reply, or empty"),
    _column("to_square", TEXT, "where it went, or empty"),
    _column("share", FLOAT, "share (0 to 1) of those games"),
)
"""Where the winners' pieces and pawns go in the twelve moves after the refutation."""

SEASONS = _table(
    _column("key", UINT64, "position before the losing reply"),
    _column("move", UINT16, "the losing reply"),
    _column("season", TEXT, "e.g. 2024/25"),
    _column("games_at_position", INT64, "dated games of the season through the position, all bands"),
    _column("games_with_reply", INT64, "of those, with the losing reply"),
    _column("share", FLOAT, "share that chose it"),
    _column("share_low", FLOAT, "lower bound of its interval"),
    _column("share_high", FLOAT, "upper bound"),
)

CURVES = _table(
    _column("band", TEXT, "rating band of the player whose score it is"),
    _column("source", TEXT, "fitted, or engine where the band has too few games"),
    _column("games", FLOAT, "games that it rests on, each counted once"),
    _column("names", pa.list_(TEXT), "of the coefficients"),
    _column("coefficients", pa.list_(FLOAT), "of the logarithm of the odds"),
    _column("covariance", pa.list_(FLOAT), "of the coefficients, row by row"),
)
"""Expected score per band as a function of the engine's evaluation and the rating difference."""

FINDINGS = _table(
    _column("fen", TEXT, "position before the losing reply"),
    _column("key", UINT64, "its position key"),
    _column("ply", INT64, "least ply at which it arises"),
    _column("path", TEXT, "a shortest way to it, SAN, space-separated"),
    _column("eco", TEXT, "its opening's ECO code"),
    _column(
        "opening",
        TEXT,
        "its opening's name, by the table of names; by the tags where that knows one move",
    ),
    _column("side", TEXT, "white or black: the side that profits"),
    _column(
        "kind", TEXT, "trap (the opponent errs) or pitfall (our own side errs): what it is worth more as"
    ),
    _column("band", TEXT, "rating band of the side that errs, or bands together, such as 800-1399 or all"),
    _column("games_at_position", INT64, "games of the band through the position, with those of the prior"),
    _column("games_with_reply", INT64, "of those, with the losing reply"),
    _column("games_at_position_elsewhere", INT64, "of the games at the position, those of the prior"),
    _column("games_with_reply_elsewhere", INT64, "of those with the reply, likewise"),
    _column("games_in_all", INT64, "the store's own games of the band with this colour"),
    _column("players_with_reply", INT64, "distinct players among them; 0: none is known"),
    _column("pick_rate", FLOAT, "share (0 to 1) that chose the losing reply, pooled across bands"),
    _column("pick_rate_low", FLOAT, "lower bound of its interval"),
    _column("pick_rate_high", FLOAT, "upper bound"),
    _column("losing_reply", TEXT, "SAN"),
    _column("losing_reply_uci", TEXT, "UCI"),
    _column("best_move", TEXT, "SAN"),
    _column("exp_best", FLOAT, "expected score (0 to 1) of the best move, for the side that errs"),
    _column("exp_reply", FLOAT, "expected score of the losing reply, for the side that errs"),
    _column("loss", FLOAT, "exp_best - exp_reply"),
    _column("cp_best", INT64, "centipawns for the side that errs; mate in n counts 10000 - n"),
    _column("cp_reply", INT64, "the same after the losing reply"),
    _column("reason", TEXT, alternatives(Reason)),
    _column("reason_detail", TEXT, "what exactly, in words"),
    _column("refutation", TEXT, "the line that punishes the reply, SAN, space-separated"),
    _column("plain_reach", FLOAT, "share of the band's games that reach the position"),
    _column("steered_reach", FLOAT, "share when the side that profits plays towards it"),
    _column("points_per_100", FLOAT, "points per 100 games that it gives away as it is answered today"),
    _column("points_per_100_low", FLOAT, "lower bound; below 0: it may be worth nothing"),
    _column("observed_with_reply", FLOAT, "score of those who chose the reply"),
    _nullable("observed_without_reply", FLOAT, "score of the others there; null: there were none"),
    _column("engine", TEXT, "name of the engine"),
    _column("nodes", INT64, "budget of each of the deepest searches"),
    _column(
        "wdl_best", pa.list_(INT32), "engine's own win, draw, loss per mille for the best move, or empty"
    ),
    _column("wdl_reply", pa.list_(INT32), "the same for the reply"),
    _column("pattern", TEXT, "how the refutation works, such as double attack or pin, or empty"),
    _column("best_line", TEXT, "the best move and what follows, SAN, space-separated"),
    _column(
        "gain_for_band",
        FLOAT,
        "expected score that the reply costs players of the band: of the curve's, the part that is seen",
    ),
    _column("curve", TEXT, "where that comes from: fitted, or engine"),
    _nullable(
        "find_rate",
        FLOAT,
        "share (0 to 1) of the band who play one of the answers; null: fewer than five players met it",
    ),
    _nullable("find_rate_low", FLOAT, "lower bound of its interval"),
    _nullable("find_rate_high", FLOAT, "upper bound"),
    _column(
        "teaching_value",
        FLOAT,
        "points per 100 games that teaching adds, of a trap at the most; the order of the list",
    ),
    _column("teaching_value_low", FLOAT, "lower bound; below 0: it may be worth nothing"),
    _nullable(
        "conversion_expected",
        FLOAT,
        "score of the side that profits, of the band, as the curve expects it after the reply",
    ),
    _nullable("conversion_observed", FLOAT, "what it really scored"),
    _column("conversion_games", INT64, "games that this was seen in"),
    _column("model_games", pa.list_(UINT32), "numbers of model games in the store, the best first"),
    _nullable("games_per_player", FLOAT, "games at the position by player of the band"),
    _column("trend", TEXT, "falling, rising or steady between the last two seasons, or empty"),
    _nullable("trend_p", FLOAT, "how likely chance alone makes such a change"),
    _nullable(
        "punish_value",
        FLOAT,
        "teaching value to the side that profits, who punish it; null: it is not taught",
    ),
    _nullable("punish_value_low", FLOAT, "lower bound"),
    _column("punish_points", FLOAT, "points per 100 games that the reply is worth to the side that profits"),
    _column("punish_points_low", FLOAT, "lower bound"),
    _column(
        "punish_gain",
        FLOAT,
        "expected score that players of the band gain who punish it, over those who do not, at equal ratings",
    ),
    _nullable("avoid_value", FLOAT, "teaching value to the side that errs, who avoid it; null likewise"),
    _nullable("avoid_value_low", FLOAT, "lower bound"),
    _column(
        "gambit",
        pa.bool_(),
        "whether those who chose it scored as well as the others there, so that it is worth nothing to know",
    ),
    _column("answers", TEXT, "the moves that keep most of the gain, SAN, space-separated, the best first"),
    _nullable("best_rate", FLOAT, "share of the band who play the first move of the refutation"),
    _column("find_games", INT64, "games of the band that both rates rest on"),
    _column("find_players", INT64, "players of these games; each who is not known is another"),
    _column("found_games", INT64, "those in which a good answer was played"),
    _column("taught_games", INT64, "those in which the taught one was"),
    _column("usual_line", TEXT, "the taught answer, what was played most then and what punishes it, SAN"),
    _column("usual_games", INT64, "games of all bands in which that was played"),
    _column("usual_of", INT64, "games of all bands that went on after the taught answer"),
    _column(
        "wins_pawns",
        INT64,
        "material that the refutation wins, in pawns; 0: it is not for material that it loses",
    ),
    _column("lasted_games", INT64, "games of all bands with the taught answer, looked at nine plies later"),
    _column("lasted_kept", INT64, "of those, in which as much or more was won then, captures settled"),
)
"""One row per losing reply in `findings` and `missed`, and one per reply and band in `by_band`."""

TABLES = {
    "games": GAMES,
    "moves": MOVES,
    "replies": REPLIES,
    "positions": POSITIONS,
    "reach": REACH,
    "edges": EDGES,
    "habits": HABITS,
    "foreseen": FORESEEN,
    "judged": JUDGED,
    "moments": MOMENTS,
    "motifs": MOTIFS,
    "scanned": MOVES,
    "followed": FOLLOWED,
    "answers": ANSWERS,
    "punishments": PUNISHMENTS,
    "afterwards": AFTERWARDS,
    "lasted": LASTED,
    "model_games": MODEL_GAMES,
    "plans": PLANS,
    "seasons": SEASONS,
    "curves": CURVES,
    "findings": FINDINGS,
    "missed": FINDINGS,
    "by_band": FINDINGS,
}


def _of(table: pa.Schema, *names: str) -> list[pa.Field]:
    return [table.field(name) for name in names]


LISTED_MOTIFS = _table(
    *_of(MOTIFS, "motif", "pattern", "piece", "square", "band", "games_scanned", "games", "players"),
    *_of(MOTIFS, "per_100", "per_100_low", "per_100_high", "find_rate", "find_rate_low", "find_rate_high"),
    *_of(MOTIFS, "best_rate", "chances", "gain"),
    _column("teaching_value", FLOAT, "what it costs in 100 games, by the engine: `costs` of the table"),
    _column("teaching_value_low", FLOAT, "the same with its lower bound, `costs_low`"),
    _column("examples", TEXT, "up to three mistakes of the band, the clearest first: FEN, mistake, answer"),
)
LISTED_MOMENTS = _table(
    *_of(MOMENTS, "game", "ply"),
    _column("fen", TEXT, "position before the mistake"),
    _column("reply", TEXT, "the mistake, SAN; in the table losing_reply"),
    _column("reply_uci", TEXT, "the mistake, UCI"),
    _column("best", TEXT, "the best move there, SAN"),
    _column("answers", TEXT, "moves that keep most of the gain, SAN, space-separated, the best first"),
    *_of(MOMENTS, "exp_best", "exp_reply", "loss", "band"),
    _nullable("found", pa.bool_(), "whether an answer was played; null: the game ends there, or is cut off"),
    *_of(MOMENTS, "reason", "motif", "pattern", "piece", "square", "wins"),
)
LISTED_UNPLAYED = _table(
    _column("band", TEXT, "a rating band with games at the position"),
    _column("path", TEXT, "a shortest way to it, SAN, space-separated"),
    _column("fen", TEXT, "position before the losing reply"),
    _column("losing_reply", TEXT, "SAN"),
    _column("losing_reply_uci", TEXT, "UCI"),
    _column("games", INT64, "0: nobody has played it here"),
    _column("pick_rate", FLOAT, "share (0 to 1) of the band that may choose it all the same"),
    _column(
        "steered_reach", FLOAT, "share of games in which the position arises if the other side plays for it"
    ),
    _column("best_move", TEXT, "SAN"),
    _column("refutation", TEXT, "the line that punishes the reply, SAN, space-separated"),
    _column("loss", FLOAT, "expected score that it gives away, by the engine"),
    _column(
        "costs",
        FLOAT,
        "points that it should cost in 100 games, by the engine: 100 * steered_reach * pick_rate * loss",
    ),
)

LISTS = {"motifs": LISTED_MOTIFS, "moments": LISTED_MOMENTS, "unplayed": LISTED_UNPLAYED}
"""What is exported beside findings; a change of one is no change of a table."""
