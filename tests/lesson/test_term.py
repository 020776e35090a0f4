"""A term: what is taught when."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import chess
import chess.polyglot
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from miner.errors import UsageError
from miner.finding.finding import Finding
from miner.finding.mistake import Reply
from miner.finding.things import is_worth_teaching
from miner.lesson.backing import Backing, ModelGame
from miner.lesson.exercises import TOO_HARD
from miner.lesson.moments import Pool
from miner.lesson.term import (
    FEWEST_MINUTES,
    Activity,
    MotifTopic,
    Session,
    aim_words,
    in_order,
    motif_topics,
    opening_family,
    term,
)
from miner.reasons import Pattern, Reason
from miner.terms import ALL_BANDS, Kind
from tests.export.examples import finding, first_move, legal, vienna
from tests.finding.moments import known_motifs, moment_row

FIRST = ("a3", "a4", "b3", "c3", "d3", "g3", "h3", "h4")
OPENINGS = ("Italian Game: One", "Italian Game: Two", "Vienna Game", "")


@cache
def replies_after(path: str) -> list[str]:
    """The legal replies in SAN."""
    board = chess.Board()
    for san in path.split():
        board.push_san(san)
    return [board.san(move) for move in board.legal_moves]


def italian(path: str, reply: str, **changes: Any) -> Finding:
    """A losing reply somewhere in an Italian game."""
    best = next(san for san in replies_after(path) if san != reply)
    answer = replies_after(f"{path} {reply}")[0]
    return finding(
        path, reply, answer, best, **({"opening": "Italian Game", "reason": Reason.MATERIAL} | changes)
    )


@st.composite
def many_findings(draw: st.DrawFn) -> list[Finding]:
    """Findings on the ways of a small tree of positions, in any order of value."""
    ways = [
        "e4 e5 Nf3 Nc6 Bc4 Nd4 Nxe5 Qg5",
        "e4 e5 Nc3 Nf6 f4 exf4 e5 Ng8",
        "Nf3 Nc6 e4 e5 Bc4 Nf6 Ng5 d5",
        "d4 d5 c4 dxc4 e4 e5 dxe5",
    ]
    rows: dict[Reply, Finding] = {}
    for _ in range(draw(st.integers(1, 25))):
        sans = draw(st.sampled_from(ways)).split()
        plies = draw(st.integers(0, len(sans)))
        path = " ".join(sans[:plies])
        reply = draw(st.sampled_from(sorted(replies_after(path))))
        row = italian(
            path,
            reply,
            opening=draw(st.sampled_from(OPENINGS)),
            kind=draw(st.sampled_from(Kind)),
            pattern=draw(st.sampled_from([None, Pattern.PIN, Pattern.DOUBLE_ATTACK])),
            find_rate=draw(st.none() | st.floats(0, 1)),
            teaching_value=draw(st.floats(0, 10)),
        )
        rows[row.reply] = row
    return sorted(rows.values(), key=lambda row: -row.teaching_value)


def positions_before(row: Finding) -> set[int]:
    """Keys of the positions that the shortest way to a finding passes."""
    board, keys = chess.Board(), set()
    for san in row.path:
        keys.add(chess.polyglot.zobrist_hash(board))
        board.push_san(san)
    return keys


def minutes(session: Session) -> int:
    return sum(part.minutes for part in session.parts)


@given(rows=many_findings(), sessions=st.integers(1, 12), length=st.integers(FEWEST_MINUTES, 180))
def test_what_holds_in_every_term(rows: list[Finding], sessions: int, length: int) -> None:
    """Minutes add up, in fives; each chosen finding is taught once, then revised; what is on the way comes
    before. There are no more sessions than topics, and no topic that is not worth it.
    """
    topics = {row.reply for row in rows if is_worth_teaching(row)}
    assume(topics)

    planned = term(rows, sessions, length)

    assert [session.number for session in planned] == list(range(1, len(planned) + 1))
    assert len(planned) == min(sessions, len(topics))
    assert all(minutes(session) == length for session in planned)
    parts = [part for session in planned for part in session.parts]
    assert all(part.minutes > 0 for part in parts)
    assert all(part.minutes % 5 == 0 or part.activity is Activity.EXERCISES for part in parts)

    taught = [one for session in planned for one in session.new]
    assert len({one.reply for one in taught}) == len(taught) > 0
    assert {one.reply for one in taught} <= topics
    seen: set[Reply] = set()
    for session in planned:
        again = [one.reply for one in session.revised if isinstance(one, Finding)]
        assert len(again) == len(session.revised)
        assert len(set(again)) == len(again)
        assert set(again) <= seen
        seen |= {one.reply for one in session.new}

    for place, one in enumerate(taught):
        assert not {later.key for later in taught[place + 1 :]} & positions_before(one)


@given(rows=many_findings(), sessions=st.integers(1, 12), length=st.integers(FEWEST_MINUTES, 180))
def test_the_best_are_chosen(rows: list[Finding], sessions: int, length: int) -> None:
    """No finding that is left out is worth more than one that is taught, unless hardly anybody finds it."""
    worth = [row for row in rows if is_worth_teaching(row)]
    assume(worth)
    rates = {row.reply: 1.0 if row.find_rate is None else row.find_rate for row in worth}
    hard = [row for row in worth if row.kind is Kind.TRAP and rates[row.reply] < TOO_HARD]
    in_turn = [*(row for row in worth if row not in hard), *hard]

    taught = [one for session in term(rows, sessions, length) for one in session.new]

    assert {one.reply for one in taught} == {one.reply for one in in_turn[: len(taught)]}


def test_nothing_worth_an_evening() -> None:
    """Neither 0.03 points in 100 games nor what more than nine of ten punish is planned; it is said why."""
    rows = [vienna(teaching_value=0.03), legal(find_rate=0.95)]

    with pytest.raises(UsageError, match=r"worth 0.05 points in 100 games and that fewer than 90% punish"):
        term(rows, 8, 60)
    assert [one.losing_reply for one in term([*rows, first_move()], 8, 60)[0].new] == ["g4"]


@pytest.mark.parametrize(
    ("length", "parts"),
    [(60, [25, 15, 15, 5]), (45, [20, 10, 10, 5]), (20, [5, 5, 5, 5]), (62, [25, 15, 17, 5])],
)
def test_minutes_in_fives(length: int, parts: list[int]) -> None:
    """New positions, playing on, exercises, the homework; what is left over goes to the exercises."""
    [session] = term([vienna()], 1, length)

    assert [part.minutes for part in session.parts] == parts


def model_game(*sans: str) -> ModelGame:
    return ModelGame(
        sans=sans,
        reply_ply=0,
        moments=frozenset(),
        result="1-0",
        date="2024.01.02",
        winner_rating=1800,
        loser_rating=0,
    )


def test_a_model_game_is_shown_once() -> None:
    """The second position that has the same best game shows its next one; where there is none, none."""
    game, other = model_game("e4", "e5"), model_game("e4", "c5")
    rows = [vienna(), legal(), first_move()]
    best = {one.reply: replace(game, reply_ply=one.ply) for one in rows}
    backing = Backing(best, {}, {legal().reply: (game, other)})

    [session] = term(rows, 1, 60, backing)

    assert sorted(model.sans for model in session.models.values()) == [("e4", "c5"), ("e4", "e5")]
    assert Activity.MODEL in [part.activity for part in session.parts]


def test_what_was_taught_earlier_comes_back() -> None:
    """Once, beside what is new."""
    planned = term([vienna(), first_move()], 2, 60, earlier=[legal()])

    assert [list(session.revised) for session in planned] == [[legal()], [first_move()]]


def test_on_the_way_comes_first() -> None:
    """3...Nd4 is taught before 4.Nxe5, which it leads to, though that is worth more and easier."""
    before = italian("e4 e5 Nf3 Nc6 Bc4", "Nd4", teaching_value=1.0, find_rate=0.2, opening="Other")
    after = italian("e4 e5 Nf3 Nc6 Bc4 Nd4", "Nxe5", teaching_value=9.0, find_rate=0.8)

    assert in_order([after, before]) == [before, after]


def test_one_opening_after_the_other() -> None:
    """The opening that is worth most as a whole comes first, and is finished before the next one."""
    rows = [
        vienna(teaching_value=3.0),
        italian("e4 e5 Nf3 Nc6 Bc4", "h6", teaching_value=2.0, find_rate=0.3, opening="Italian Game: A"),
        italian("e4 e5 Nf3 Nc6 Bc4", "a6", teaching_value=2.0, find_rate=0.7, opening="Italian Game: B"),
    ]

    assert [one.losing_reply for one in in_order(rows)] == ["a6", "h6", "exf4"]


def test_no_pattern_is_not_a_pattern() -> None:
    """Two findings without a pattern have nothing in common: the easier comes before the harder."""
    rows = [
        italian("e4 e5 Nf3 Nc6 Bc4", "a6", find_rate=0.9, pattern=None),
        italian("e4 e5 Nf3 Nc6 Bc4", "h6", find_rate=0.8, pattern=Pattern.PIN),
        italian("e4 e5 Nf3 Nc6 Bc4", "b6", find_rate=0.7, pattern=None),
    ]

    assert [one.losing_reply for one in in_order(rows)] == ["a6", "h6", "b6"]


def test_one_pattern_after_the_other() -> None:
    """Within an opening, what works by the same pattern stays together."""
    rows = [
        italian("e4 e5 Nf3 Nc6 Bc4", "a6", find_rate=0.9, pattern=Pattern.PIN),
        italian("e4 e5 Nf3 Nc6 Bc4", "h6", find_rate=0.8, pattern=Pattern.SKEWER),
        italian("e4 e5 Nf3 Nc6 Bc4", "b6", find_rate=0.7, pattern=Pattern.PIN),
    ]

    assert [one.losing_reply for one in in_order(rows)] == ["a6", "b6", "h6"]


def test_revision_is_spaced() -> None:
    """What is taught in the first session comes back in the second, the fourth and the eighth.

    In the last one there is no room for all: what has come back least goes first.
    """
    rows = [italian("e4 e5 Nf3 Nc6 Bc4", move) for move in ("a6", "b6", "h6", "g6", "f6", "h5", "a5", "b5")]

    planned = term([legal(), *rows], 9, 30)

    [first] = planned[0].new
    assert [session.number for session in planned if first in session.revised] == [2, 4, 8]


def test_the_last_session_teaches_nothing_new() -> None:
    """From three sessions on, the last one revises the term; with fewer topics there are fewer sessions."""
    rows = [legal(), vienna(), first_move()]

    assert [len(session.new) for session in term(rows, 3, 60)] == [2, 1, 0]
    assert [len(session.new) for session in term(rows, 40, 60)] == [2, 1, 0]
    assert [len(session.new) for session in term(rows[:2], 40, 60)] == [1, 1]
    assert [len(session.new) for session in term(rows, 2, 60)] == [2, 1]
    assert aim_words(term(rows, 3, 60)[2]) == "Revision of the term"
    assert len(term(rows, 3, 60)[2].revised) == 3


def test_a_model_game_where_there_is_one() -> None:
    """Without a model game the pupils play on from the position."""
    [without] = term([legal()], 1, 60)
    [with_game] = term([legal()], 1, 60, Backing({legal().reply: model_game("e4")}, {}))

    assert Activity.PLAY in [part.activity for part in without.parts]
    assert Activity.MODEL in [part.activity for part in with_game.parts]


def test_aims() -> None:
    """An aim names the opening, the mistake and the pattern."""
    [session] = term(
        [vienna(pattern=Pattern.PIN), legal(kind=Kind.PITFALL, opening="Vienna Gambit: Legal")], 1, 60
    )

    assert aim_words(session) == "Vienna Gambit: punish 3...exf4 (pin), avoid 5...Bxd1"
    assert opening_family(legal()) == "1.e4 e5 2.Nf3 d6"


@pytest.mark.parametrize(
    ("rows", "sessions", "length"), [([], 8, 60), ([legal()], 0, 60), ([legal()], 8, FEWEST_MINUTES - 1)]
)
def test_no_term(rows: list[Finding], sessions: int, length: int) -> None:
    """Nothing to teach, no session, or no time is told."""
    with pytest.raises(UsageError):
        term(rows, sessions, length)


def motif_topics_of(*patterns: str, costs: float = 1.0) -> list[MotifTopic]:
    """Motifs with eight exercises each."""
    rows = []
    for place, (pattern, other) in enumerate(zip(patterns, ("a6", "b6", "a5"), strict=False)):
        for game in range(8):
            path = f"e4 e5 {FIRST[game]} {other} Qh5"
            number = 10 * place + game
            row = moment_row(
                path, "g6", "Qxe5+", "Be7 Qxh8", game=number, pattern=pattern, found=game % 2 == 0
            )
            rows.append(row | {"loss": costs / (1 + place)})
    return motif_topics(Pool(motifs=known_motifs(rows, 50), band=ALL_BANDS))


def test_motifs_are_woven_in() -> None:
    """In half of the room, what costs most first; each comes back as positions do, with new exercises."""
    topics = motif_topics_of("double attack", "pin", "skewer")
    findings = [vienna(), legal(), first_move()]

    planned = term(findings, 4, 45, motifs=topics)

    assert [len(session.new) for session in planned] == [1, 1, 1, 0]
    assert [[one.name for one in session.motifs] for session in planned] == [
        ["double attack: queen on e5"],
        ["pin: queen on e5"],
        ["skewer: queen on e5"],
        [],
    ]
    assert all(minutes(session) == 45 for session in planned)
    assert topics[0] in planned[1].revised
    asked = [(one.finding.game, one.finding.fen) for session in planned for one in session.moments]
    assert len(set(asked)) == len(asked) > 8
    assert aim_words(planned[0]).endswith("motif: double attack: queen on e5")


def test_motifs_alone_make_a_term() -> None:
    """Where no position is left to teach: no more sessions than motifs, the last of them to revise."""
    planned = term([], 8, 60, motifs=motif_topics_of("double attack", "pin", "skewer"))

    assert [len(session.motifs) for session in planned] == [2, 1, 0]
    assert {part.activity for part in planned[0].parts} == {
        Activity.MOTIFS,
        Activity.EXERCISES,
        Activity.HOMEWORK,
    }


def test_motif_comes_where_there_is_room() -> None:
    """A single one beside three positions in two sessions: in the second, which has one position less."""
    planned = term([vienna(), legal(), first_move()], 2, 60, motifs=motif_topics_of("pin"))
    alone = term([vienna(), legal()], 2, 60, motifs=motif_topics_of("pin"))

    assert [(len(session.new), len(session.motifs)) for session in planned] == [(2, 0), (1, 1)]
    assert [(len(session.new), len(session.motifs)) for session in alone] == [(1, 1), (1, 0)]
