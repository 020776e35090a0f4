"""Exercises from single games, and the coach's pages about their motifs."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import chess.pgn
import pytest

from miner.finding.motifs import Motifs
from miner.lesson.cards import cards_csv
from miner.lesson.exercises import as_exercises, exercise_of, from_easy_to_hard, moment_find_rate
from miner.lesson.files import exercises_epd, exercises_pgn
from miner.lesson.moments import Pool, exercises_about, mixed, motif_facts, motif_lesson, numbers_words
from miner.lesson.phrases import PHRASES, Tongue
from miner.lesson.sentences import task_words, why_words
from miner.lesson.sheets import Looks, coach_pdf
from miner.settings import Taught
from tests.export.examples import legal, vienna
from tests.finding.moments import HIGH, LOW, known_motifs, moment_row, queen_raid, scholar, told_moment
from tests.lesson.pages import texts

ENGLISH = Tongue.of("en")
FIRST = ("a3", "a4", "b3", "c3", "d3", "g3", "h3", "h4")


def raid(game: int, **changes: Any) -> dict[str, Any]:
    """The rook that falls to Qxe5+, in another position for each game."""
    return moment_row(f"e4 e5 {FIRST[game]} a6 Qh5", "g6", "Qxe5+", "Be7 Qxh8", **({"game": game} | changes))


def pool(motifs: Motifs, band: str = LOW, side: Taught = "both", known: Iterable[int] = ()) -> Pool:
    return Pool(motifs=motifs, band=band, side=side, known=frozenset(known))


def chosen(rows: list[dict[str, Any]], most: int = 8, **how: Any) -> list[int]:
    """The games from which exercises are taken, for the motif that costs most."""
    asked = pool(known_motifs(rows), **how)
    return [one.finding.game for one in asked.exercises(asked.motifs.topics(LOW), most)]


def test_one_exercise_from_a_game_and_a_position() -> None:
    """A game with two such mistakes gives one exercise, and so does a position of two games."""
    rows = [*map(raid, range(6)), raid(6) | {"game": 0, "ply": 9}, raid(0) | {"game": 7}]

    assert sorted(chosen(rows)) == [0, 1, 2, 3, 4, 5]
    assert len(chosen(rows, most=2)) == 2


def test_what_cannot_be_asked() -> None:
    """Three good answers, a gain that is not shown in five moves or not at all, or what is met elsewhere."""
    rows = list(map(raid, range(5)))
    many = raid(5) | {"answers": ["h5e5", "h5f3", "h5d1"]}
    quiet = moment_row("e4 e5 d3 a6 Qh5", "g6", "Qd1", "Be7 a4 d6 b4 Nf6 c4 Nc6 h4 O-O h5 h6", game=6)

    misses = raid(7, reason_detail="misses the win of a knight")

    assert sorted(chosen([*rows, many, quiet, misses])) == [0, 1, 2, 3, 4]
    assert sorted(chosen(rows, known=(rows[2]["key"],))) == [0, 1, 3, 4]
    assert chosen(rows, side="black") == []


def test_gain_after_five_moves_is_too_late() -> None:
    """The fifth move may still show it, the sixth may not."""
    waits = ["b5", "d3", "Bb7", "a3", "h5", "b3", "c6", "c3"]
    rows = [
        moment_row(
            "e4 e5 g3 a6 Qh5",
            "g6",
            "Qd1",
            " ".join([*waits[:plies], "Rh6 Bxh6"]),
            game=plies,
            wins="two pawns",
        )
        for plies in (6, 8)
    ]
    asked = pool(known_motifs(rows))

    assert [told_moment(row).shown for row in rows] == [9, 11]
    assert [asked.can_be_asked(told_moment(row)) for row in rows] == [True, False]


def test_own_band_first_and_motifs_by_turns() -> None:
    """A band's own mistakes before those of others; of two motifs one after the other."""
    rows = [raid(game, band=HIGH if game < 3 else LOW) for game in range(8)]
    mates = [
        moment_row(
            f"e4 e5 Qh5 Nc6 {other} {one} Bc4",
            "Nf6",
            "Qxf7#",
            game=20 + place,
            reason="mate",
            pattern="mate in one",
            square="f7",
            wins="mate",
        )
        for place, (one, other) in enumerate(
            (("a6", "a3"), ("b6", "b3"), ("d6", "h3"), ("b6", "c3"), ("d6", "a4"))
        )
    ]

    assert sorted(chosen(rows, most=5)) == [3, 4, 5, 6, 7]
    motifs = known_motifs([*rows, *mates])
    both = pool(motifs).exercises(motifs.topics(LOW), 4)
    assert (
        sorted(one.finding.motif.split(":")[0] for one in both) == ["double attack"] * 2 + ["mate in one"] * 2
    )


def test_from_easy_to_hard_by_how_often_the_band_finds_it() -> None:
    """What the band finds oftener comes first; what nobody was asked for is guessed."""
    rows = [raid(game, found=game < 1) for game in range(5)]
    rows += [scholar(game, found=True) for game in range(10, 15)]
    motifs = known_motifs(rows)
    exercises = [
        exercise_of(told_moment(row), motifs.finders(told_moment(row), LOW)) for row in (rows[0], rows[-1])
    ]

    ordered = from_easy_to_hard(exercises)

    assert [one.finding.losing_reply for one in ordered] == ["Nf6", "g6"]
    assert [(one.number, one.find_rate) for one in ordered] == [(1, 1.0), (2, 0.2)]
    assert 0.05 <= moment_find_rate(told_moment(rows[0]), None) <= 0.95


def test_from_easy_to_hard_by_the_model_where_there_is_one() -> None:
    """Each answer has its own chance, that of the band's rating; stronger players have the better one."""
    rows = [raid(game, chance=0.2 + 0.1 * game) for game in range(5)]
    motifs = replace(known_motifs(rows), ratings={LOW: 1100, "1900-1999": 1900}, chance_per_point=0.0025)
    exercises = [pool(motifs).exercise(told_moment(row)) for row in rows]

    ordered = from_easy_to_hard(exercises)

    assert [one.finding.game for one in ordered] == [4, 3, 2, 1, 0]
    assert ordered[0].find_rate == pytest.approx(1 / (1 + math.exp(1) * 4 / 6))
    assert (motifs.chance(told_moment(rows[4]), "1900-1999") or 0.0) > 0.6 > ordered[0].find_rate


def test_a_third_of_a_lesson_is_from_single_games() -> None:
    """More where there are too few findings."""
    motifs = known_motifs(list(map(raid, range(8))))
    moments = pool(motifs).exercises(motifs.topics(LOW), 6)
    findings = as_exercises([legal(), vienna()])

    assert (
        len([one for one in mixed(findings, moments, 3) if one.finding in [m.finding for m in moments]]) == 1
    )
    assert len(mixed(findings, moments, 6)) == 6
    assert [one.number for one in mixed(findings, moments, 6)] == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize("language", list(PHRASES))
def test_answer_tells_what_was_played_and_how_often_it_is_found(language: str) -> None:
    """In the language of the sheet, with counts; nothing of an answer that is not known."""
    motifs = known_motifs([raid(game, found=game < 2) for game in range(5)])
    moment = told_moment(raid(0, played="b1c3", found=False))
    tongue = Tongue.of(language)
    exercise = exercise_of(moment, motifs.finders(moment, LOW))

    told, untold = (
        why_words(exercise, tongue),
        why_words(exercise_of(told_moment(raid(0, played=""))), tongue),
    )

    assert tongue.moves("4.Nc3") in told
    assert "2" in told
    assert f"({LOW})" in told
    assert (f"({LOW})" in untold, tongue.moves("4.Nc3") in untold) == (False, False)
    assert "3...g6" in task_words(exercise, tongue)


def test_exercises_for_other_programs() -> None:
    """PGN and EPD hold every good answer; cards ask the same; no title gives the motif away."""
    moment = told_moment(raid(0) | {"answers": ["h5e5", "h5f3"]})
    exercises = [exercise_of(moment)]

    game = chess.pgn.read_game(io.StringIO(exercises_pgn(exercises).decode()))
    assert game is not None
    assert [child.san() for child in game.variations] == ["Qxe5+", "Qf3"]
    assert game.headers["Event"] == "Punish: King's Pawn Game"
    record = exercises_epd(exercises).decode().strip()
    assert " bm Qf3 Qxe5+; " in record
    assert "double" not in record
    assert "4.Qxe5+ Be7 5.Qxh8" in cards_csv(exercises, ENGLISH).decode()


def test_coach_is_told_of_the_motif() -> None:
    """Sign, three examples that are no exercises, the usual error before it, and where it does not work."""
    pytest.importorskip("typst", reason="PDF needs the extra `print`")
    fails = moment_row(
        "e4 e5 Qh5 Nc6 a3 Nf6", "Qxe5+", "Nxe5", game=9, pattern="undefended piece", piece="N", square="e4"
    )
    motifs = known_motifs([*map(raid, range(8)), fails])
    asked = pool(motifs)
    [topic] = motifs.topics(LOW)
    exercises = from_easy_to_hard(exercises_about(asked, [topic], 8))

    lesson = motif_lesson(asked, topic)

    games = {one.game for one in lesson.examples}
    assert len(games) == 3
    assert not games & {one.finding.game for one in exercises}
    assert lesson.fails is not None
    assert lesson.fails.losing_reply == "Qxe5+"
    own = motif_lesson(pool(motifs, known=[lesson.fails.key, lesson.examples[0].key]), topic)
    assert own.fails is None
    assert lesson.examples[0] not in own.examples
    facts = motif_facts(lesson)
    assert any(
        fact.startswith(
            "Seen beforehand, in such mistakes of all bands: the queen already bears on e5 (8 of 8)"
        )
        for fact in facts
    )
    assert "The error before it: pawn move 100% (8 of 8)." in facts
    assert numbers_words(lesson, exercises) == "5 exercises of the sheet: 1, 2, 3, 4, 5."
    [page] = texts(coach_pdf(exercises, Looks(tongue=ENGLISH), motifs=[lesson]))
    for words in ("Double attack: queen on e5", "EXAMPLE", "HERE IT FAILS", "4.Qxe5+?? Nxe5"):
        assert words in page
    assert "White tries it, and it fails: 4.Qxe5+??" in " ".join(page.split())
    assert "Black wins a rook and a pawn." in " ".join(page.split())


def test_nothing_is_told_that_is_not_there() -> None:
    """No example in which it fails, no sign, no openings: none of them is told."""
    motifs = known_motifs([queen_raid(game, pv_reply=["g7g6"], opening="", by="") for game in range(5)])
    [topic] = motifs.topics(LOW)

    lesson = motif_lesson(pool(motifs), topic)

    assert (lesson.fails, lesson.signs, lesson.openings, lesson.allowed_by) == (None, (), (), ())
    assert [fact.split()[0] for fact in motif_facts(lesson)] == ["In", "In", "If"]


def test_topics_of_a_band_and_then_of_all() -> None:
    """Where a band has few, those of all bands fill up; no pattern comes twice, each says whose it is."""
    rows = [raid(game) for game in range(8)]
    rows += [raid(game, pattern="pin", band=HIGH) | {"game": 20 + game} for game in range(8)]
    motifs = known_motifs(rows, 40, white_rating=1500)

    topics = pool(motifs, HIGH).topics

    assert [(topic.pattern, topic.band) for topic in topics] == [("pin", HIGH), ("double attack", "all")]
    assert len(pool(motifs, "all").topics) == 2
