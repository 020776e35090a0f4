"""Which findings become which exercises."""

from __future__ import annotations

from typing import Any

from miner.finding.finding import Finding
from miner.lesson.exercises import QuestionKind, choose, find_rate, guessed_find_rate, task_of
from miner.lesson.phrases import Tongue
from miner.lesson.sentences import number_words, solution_words, task_words
from miner.reasons import Reason
from miner.terms import Kind
from tests.export.examples import finding, legal, vienna


def scholar(**changes: Any) -> Finding:
    """Black defends the pawn and is mated at once: 3...Nf6 4.Qxf7#."""
    path = "e4 e5 Qh5 Nc6 Bc4"
    return finding(path, "Nf6", "Qxf7#", "g6 Qf3 Nf6", **({"reason": Reason.MATE, "loss": 0.5} | changes))


def test_a_trap_is_punished() -> None:
    """The pupil sees the position after 5...Bxd1 and finds 6.Bxf7+."""
    [exercise] = choose([legal()])

    assert exercise.task is QuestionKind.PUNISH
    assert exercise.board.fen().startswith("rn1qkbnr/ppp2p1p/3p2p1/4N3/2B1P3/2N5/PPPP1PPP/R1BbK2R w")
    assert exercise.solution == ("Bxf7+", "Ke7", "Nd5#")
    assert exercise.ply == 10


def test_a_pitfall_is_looked_at_before_it_is_played() -> None:
    """Where moves show what is wrong, they are asked for; else the best move."""
    [wrong] = choose([legal(kind=Kind.PITFALL)])
    [instead] = choose([vienna(kind=Kind.PITFALL, reason=Reason.POSITION)])

    assert (wrong.task, wrong.solution[0]) == (QuestionKind.WRONG, "Bxd1")
    assert (instead.task, instead.solution) == (QuestionKind.INSTEAD, ("d5", "fxe5", "Nxe4"))
    assert instead.board.fen() == vienna().fen


def test_what_was_missed_is_looked_for() -> None:
    """Where the reply only lets a gain go, nothing shows what is wrong with it: the gain is asked for."""
    [exercise] = choose(
        [legal(kind=Kind.PITFALL, reason=Reason.MATERIAL, reason_detail="misses the win of a pawn")]
    )

    assert exercise.task is QuestionKind.INSTEAD


def test_no_moves_no_exercise() -> None:
    """A trap without a refutation cannot be asked about."""
    assert task_of(vienna(refutation=())) is None
    assert choose([vienna(refutation=())]) == []


def test_all_good_answers_solve_it() -> None:
    """6.Nxd1 is good as well as the taught 6.Bxf7+: both are accepted, and printed."""
    [exercise] = choose([legal(answers=("Nxd1", "Bxf7+"))])

    assert exercise.accepted == ("Bxf7+", "Nxd1")
    assert solution_words(exercise, Tongue.of("en")) == "6.Bxf7+ Ke7 7.Nd5# / 6.Nxd1"


def test_other_moves_may_be_as_good_as_the_only_known_one() -> None:
    """Where a better move is asked for the task and the answer leave room for others, in each language."""
    [exercise] = choose([vienna(kind=Kind.PITFALL, reason=Reason.POSITION)])

    assert task_words(exercise, Tongue.of("en")) == "3...exf4 is a mistake. Find a good move instead."
    for language, words in (("en", "or a move as good as"), ("de", "oder ein Zug, der so gut ist wie")):
        told = solution_words(exercise, Tongue.of(language))
        assert told.endswith(f" ({words} 3...d5)")


def test_with_many_good_answers_there_is_nothing_to_find() -> None:
    """Three good answers are too many to ask for one; the side that errs is asked what was better."""
    many = ("Bxf7+", "Nxd1", "Kxd1")

    assert choose([legal(answers=many)]) == []
    assert choose([legal(answers=many, kind=Kind.PITFALL)])[0].task is QuestionKind.INSTEAD


def test_from_easy_to_hard() -> None:
    """What most find comes first, whatever it is worth."""
    hard, easy = legal(find_rate=0.2), vienna(find_rate=0.8)

    assert [one.finding.reply for one in choose([hard, easy])] == [easy.reply, hard.reply]
    assert [one.number for one in choose([hard, easy])] == [1, 2]


def test_what_everybody_finds_teaches_nothing() -> None:
    """An exercise that 95% solve makes room for one that teaches, and is taken where there is room."""
    known, useful = scholar(find_rate=0.95), legal(find_rate=0.5)

    assert [one.finding for one in choose([known, useful], top=1)] == [useful]
    assert [one.finding for one in choose([known, useful], top=2)] == [known, useful]


def test_without_find_rates_it_is_guessed() -> None:
    """A mate in one is easier than a mate in two, and either easier for stronger players."""
    one, two = scholar(find_rate=None), legal(find_rate=None, loss=0.5)

    assert find_rate(one) == guessed_find_rate(one) > guessed_find_rate(two)
    assert guessed_find_rate(legal(band="1800-1999")) > guessed_find_rate(legal(band="0-799"))
    assert choose([one])[0].find_rate == guessed_find_rate(one)
    assert number_words(choose([one])[0], Tongue.of("en"))[1].startswith(
        "Not known how many of the band find"
    )


def test_only_these_positions() -> None:
    """Named positions are taken whatever they are worth."""
    [chosen] = choose([legal(), vienna()], keys=[vienna().key])

    assert chosen.finding.reply == vienna().reply


def test_both_sides_by_turns() -> None:
    """For both sides, what cannot be punished move by move is asked of the side that errs."""
    trap = vienna(reason=Reason.POSITION)

    assert [one.finding for one in choose([trap])] == [trap.as_kind(Kind.PITFALL)]
    assert [one.finding for one in choose([trap], side="white")] == [trap]


def test_gambit_is_no_exercise() -> None:
    """Nobody is asked to punish what does well in practice."""
    assert choose([legal(gambit=True)]) == []
