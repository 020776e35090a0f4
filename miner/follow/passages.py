"""The games in which a losing reply was played, counted by DuckDB from `moves` and `games`."""

from __future__ import annotations

import duckdb
import pandas as pd
import pyarrow as pa

from miner.store.query import band_sql, turn_sql
from miner.terms import BandScheme

_BEYOND = 3
"""How many times more later positions are looked up than wanted: some turn out to leave no choice."""

_AROUND = 4
"""How many times more games of a position are looked up than wanted without one of its moves."""


def find_passages(connection: duckdb.DuckDBPyConnection, losing: pd.DataFrame, bands: BandScheme) -> int:
    """Gather the games with a losing reply in the temporary table `passages`, and count them.

    `losing` has the columns key and move. A row per losing reply and game: key, move, game, ply (of the
    reply), player (0: not known), rating and band of who profits, gap (his rating less the other's, or null),
    half_points (his result).
    """
    _register(connection, "losing", losing[["key", "move"]])
    connection.execute(
        f"""
        create or replace temp table passages as
        with rated as (
            select m.key, m.move, m.game, m.ply::int as ply, (2 - m.score)::int as half_points,
                   m.rating as rating_other, m.rating_other as rating,
                   case when m.ply % 2 = 0 then g.black_player else g.white_player end as player
            from movers m join games g using (game)
            semi join losing l on m.key = l.key and m.move = l.move
        )
        select key, move, game, ply, player, rating, half_points, {band_sql(bands, as_name=True)} as band,
               case when rating > 0 and rating_other > 0 then rating::int - rating_other::int end as gap
        from rated
        """  # noqa: S608 - built from numbers of our own
    )
    return int(connection.sql("select count(*) from passages").fetchall()[0][0])


def count_afterwards(connection: duckdb.DuckDBPyConnection) -> pa.Table:
    """The table `afterwards`: how the side that profits scored, per losing reply and band."""
    return connection.sql(
        """
        with by_player as (
            select p.key, p.move, p.band, p.player, count(*) as games,
                   sum(p.half_points)::bigint as half_points, sum(p.gap) as gaps,
                   count(p.gap) as known_gaps, count(m.game) as answered
            from passages p left join moves m on m.game = p.game and m.ply = p.ply + 1
            group by all
        )
        select key, move, band, sum(games)::bigint as games, sum(half_points)::bigint / 2.0 as score_sum,
               sum(gaps)::double / nullif(sum(known_gaps), 0) as mean_rating_gap,
               sum(case when player = 0 then answered else least(answered, 1) end)::bigint
                   as players_answering
        from by_player group by key, move, band order by key, move, band
        """
    ).to_arrow_table()


# By player first: distinct players are then counted by rows, which can spill, not by sets, which cannot.
_ANSWERS = """
    with by_player as (
        select p.key, p.move, m.key as at, m.move as answer, p.band, m.player, count(*) as games,
               sum(m.score)::bigint as half_points, min(m.ply - p.ply - 1) as plies
        from {passages} p join movers m on m.game = p.game and {where}
        group by all
    )
    select key, move, "at", answer, band, sum(games)::bigint as games,
           count(*) filter (player <> 0) as players, sum(half_points)::bigint / 2.0 as score_sum,
           min(plies)::utinyint as plies
    from by_player group by key, move, "at", answer, band order by key, move, "at", answer, band
"""


def count_first_answers(connection: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """How often each answer to the losing replies was chosen: the columns of `answers`, and plies (0)."""
    return _frame(connection.sql(_ANSWERS.format(passages="passages", where="m.ply = p.ply + 1")))


def keep_punished(connection: duckdb.DuckDBPyConnection, good: pd.DataFrame) -> None:
    """Gather in the temporary table `punished` the passages whose first answer is a good one.

    `good` has the columns key, move, answer and is_taught, which the table has, too.
    """
    _register(connection, "good", good[["key", "move", "answer", "is_taught"]])
    connection.execute(
        """
        create or replace temp table punished as
        select p.*, a.is_taught from passages p join moves m on m.game = p.game and m.ply = p.ply + 1
        join good a on a.key = p.key and a.move = p.move and a.answer = m.move
        """
    )


def count_defences(connection: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """What the side that erred played most after the taught answer, all bands together.

    Columns key, move, defence, games, games_taught (all that went on there); a row per losing reply with such
    games. Of defences that were played equally often it is any one, but always the same.
    """
    sql = """
        with chosen as (
            select p.key, p.move, m.move as defence, count(*) as games
            from punished p join moves m on m.game = p.game and m.ply = p.ply + 2
            where p.is_taught group by all
        )
        select *, sum(games) over (partition by key, move)::bigint as games_taught from chosen
        qualify row_number() over (partition by key, move order by games desc, defence) = 1
        order by key, move
    """
    return _frame(connection.sql(sql))


def later_positions(
    connection: duckdb.DuckDBPyConnection, *, moves: int, min_games: int, most: int
) -> pd.DataFrame:
    """The positions that most punished games pass through later, the profiting side to move.

    Columns: key, move, at, games, plies (least), path (the commonest moves to there, UCI-packed, as a list);
    per losing reply, the commonest first, at least `min_games` games each. Not the position right after it.
    """
    connection.execute(
        f"""
        create or replace temp table later as
        select p.key, p.move, m.key as at, count(*) as games, min(m.ply - p.ply - 1)::utinyint as plies
        from punished p join moves m on m.game = p.game
        where m.ply > p.ply + 1 and m.ply < p.ply + 1 + {2 * moves} and (m.ply - p.ply) % 2 = 1
        group by p.key, p.move, m.key having count(*) >= {min_games}
        qualify row_number() over (partition by p.key, p.move order by count(*) desc, m.key)
                <= {_BEYOND * most}
        """  # noqa: S608 - built from numbers of our own
    )
    sql = """
        with visits as (
            select l.key, l.move, l.at, p.game, p.ply as first, m.ply as last
            from later l join punished p on p.key = l.key and p.move = l.move
            join moves m on m.game = p.game and m.key = l.at and m.ply > p.ply
        ),
        ways as (
            select v.key, v.move, v.at, v.game, list(m.move order by m.ply) as path
            from visits v join moves m on m.game = v.game and m.ply > v.first and m.ply < v.last
            group by v.key, v.move, v.at, v.game, v.first, v.last having count(*) = v.last - v.first - 1
        ),
        common as (
            select key, move, "at", path from ways group by key, move, "at", path
            qualify row_number() over (partition by key, move, "at" order by count(*) desc, len(path), path)
                    = 1
        )
        select l.*, c.path from later l join common c using (key, move, "at")
        order by key, move, games desc, "at"
    """
    return _frame(connection.sql(sql))


def count_later_answers(connection: duckdb.DuckDBPyConnection, positions: pd.DataFrame) -> pd.DataFrame:
    """The answers in later positions (columns key, move, at) of punished games: the columns of `answers`."""
    _register(connection, "asked", positions[["key", "move", "at"]])
    passages = "(select p.*, a.at from punished p join asked a using (key, move))"
    return _frame(connection.sql(_ANSWERS.format(passages=passages, where="m.ply > p.ply and m.key = p.at")))


def count_by_date(connection: duckdb.DuckDBPyConnection, first: int = 0) -> pd.DataFrame:
    """Games at each position and month: columns key, move, year, month (0: none), games, with_reply.

    A row per losing reply and month of its position's games from the number `first` on; games without a year
    are left out.
    """
    sql = f"""
        with there as (
            select m.key, m.move, try_cast(g.date[1:4] as integer) as year,
                   coalesce(try_cast(g.date[6:7] as integer), 0) as month, count(*) as games
            from moves m semi join losing using (key) join games g using (game)
            where m.game >= {first} group by all having year > 0
        )
        select l.key, l.move, t.year, t.month, sum(t.games)::bigint as games,
               coalesce(sum(t.games) filter (t.move = l.move), 0)::bigint as with_reply
        from losing l join there t on t.key = l.key
        group by all order by l.key, l.move, t.year, t.month
    """  # noqa: S608 - a number of our own
    return _frame(connection.sql(sql))


def sampled_games(connection: duckdb.DuckDBPyConnection, losing: pd.DataFrame, most: int) -> pd.DataFrame:
    """A sample of the games through the positions of these losing replies (key and move).

    Columns: key, move, game, ply and chosen. For each losing reply at most so many games in which it was
    `chosen`, and as many with another move, the first by `turn_sql`.
    """
    _register(connection, "losing", losing[["key", "move"]])
    sql = f"""
        with there as (
            select m.key, m.move as chosen, m.game, m.ply,
                   {turn_sql("m.game")} as turn
            from moves m semi join losing using (key)
        ),
        by_move as (
            select * from there semi join losing on there.key = losing.key and there.chosen = losing.move
            qualify row_number() over (partition by key, chosen order by turn) <= {most}
        ),
        around as (
            select * from there
            qualify row_number() over (partition by key order by turn) <= {_AROUND * most}
        ),
        sampled as (
            select l.key, l.move, m.game, m.ply, m.chosen
            from losing l join by_move m on m.key = l.key and m.chosen = l.move
            union all
            select l.key, l.move, a.game, a.ply, a.chosen
            from losing l join around a on a.key = l.key and a.chosen <> l.move
            qualify row_number() over (partition by l.key, l.move order by a.turn) <= {most}
        )
        select * from sampled order by key, move, game
    """  # noqa: S608 - built from numbers of our own
    return _frame(connection.sql(sql))


def moves_of(connection: duckdb.DuckDBPyConnection, games: pd.DataFrame) -> pd.DataFrame:
    """The rows of `moves` of these games (column game), by game and ply."""
    _register(connection, "wanted_games", games[["game"]].drop_duplicates())
    sql = "select game, ply, key, move from moves semi join wanted_games using (game) order by game, ply"
    return _frame(connection.sql(sql))


def won_games(connection: duckdb.DuckDBPyConnection, *, most: int, least: int) -> pd.DataFrame:
    """The punished games that the profiting side won, at most `most` per losing reply.

    The strongest winners' make up one half, the other half goes round the bands, the strongest of each first.
    Columns: key, move, game, ply, is_taught, rating, rating_loser, band, is_strongest (a winner in the top
    quarter of those who are rated, or among the first `least`; all if none is rated), result, date, source,
    start_byte, end_byte.
    """
    sql = f"""
        with won as (
            select *, count(*) filter (rating > 0) over of_reply as rated,
                   row_number() over (of_reply order by rating desc, game) as place,
                   row_number() over (partition by key, move, band order by rating desc, game) as in_band
            from punished where half_points = 2 window of_reply as (partition by key, move)
        ),
        chosen as (
            select *, row_number() over (
                partition by key, move, place <= {most // 2} order by in_band, rating desc, game
            ) as turn
            from won
        )
        select c.key, c.move, c.game, c.ply, c.is_taught, c.rating, c.band, g.result, g.date, g.source,
               g.start_byte, g.end_byte,
               case when c.ply % 2 = 0 then g.white_rating else g.black_rating end as rating_loser,
               rated = 0 or (rating > 0 and place <= greatest(ceil(rated / 4), {least})) as is_strongest
        from chosen c join games g using (game)
        where place <= {most // 2} or turn <= {most - most // 2}
        order by key, move, rating desc, game
    """  # noqa: S608 - built from numbers of our own
    return _frame(connection.sql(sql))


def kept_lines(connection: duckdb.DuckDBPyConnection, games: list[int]) -> dict[int, list[int]]:
    """The kept plies of games by number, packed; without those that met a position twice, which lack one."""
    connection.register("wanted_games", pa.table({"game": pa.array(games, pa.uint32())}))
    found = connection.sql(
        """
        select game, list(move order by ply) as line from moves semi join wanted_games using (game)
        group by game having count(*) = max(ply) + 1
        """
    ).fetchall()
    return dict(found)


def _register(connection: duckdb.DuckDBPyConnection, name: str, rows: pd.DataFrame) -> None:
    connection.register(name, pa.Table.from_pandas(rows, preserve_index=False))


def _frame(found: duckdb.DuckDBPyRelation) -> pd.DataFrame:
    rows: pd.DataFrame = found.to_arrow_table().to_pandas()
    return rows
