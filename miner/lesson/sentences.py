"""An exercise in sentences: the question, the answer, and words for the coach."""

from __future__ import annotations

import re
from dataclasses import dataclass

from miner.explain.explanation import NO_SIMPLE_REASON
from miner.explain.motif import Theme
from miner.finding.finding import Finding
from miner.finding.mistake import Mistake
from miner.finding.moment import Moment
from miner.finding.motifs import MotifCount
from miner.finding.words import (
    band_words,
    because_sentences,
    best_words,
    capital,
    found_sentence,
    joined,
    lasting_sentence,
    numbered_sans,
    observed_sentence,
    often_words,
    own_eco,
    pattern_sentence,
    plain,
    price_sentence,
    reason_sentence,
    refutation_words,
    reply_words,
    title,
    usual_sentence,
    worth_words,
)
from miner.lesson.exercises import Exercise, QuestionKind, is_missed
from miner.lesson.phrases import Tongue
from miner.reasons import PATTERNS, REASONS
from miner.terms import Kind, Side

SHOWN_PLIES = 9
"""Half-moves of a line that are printed: nobody plays more from a sheet of paper."""

_ASK_MISSED = "What could be had here instead?"


def task_words(exercise: Exercise[Mistake], tongue: Tongue) -> str:
    """The question, without the side to move."""
    phrases = tongue.phrases
    pattern = {
        QuestionKind.PUNISH: phrases.punish,
        QuestionKind.WRONG: phrases.wrong,
        QuestionKind.INSTEAD: phrases.instead,
    }
    return pattern[exercise.task].format(move=tongue.moves(reply_words(exercise.finding)))


def to_move_words(exercise: Exercise[Mistake], tongue: Tongue) -> str:
    """Which side is to move on the diagram."""
    return tongue.phrases.to_move.format(side=tongue.phrases.side(Side.of(exercise.board.turn)))


def question_words(exercise: Exercise[Mistake], tongue: Tongue) -> str:
    """The side to move and the question."""
    return f"{to_move_words(exercise, tongue)}. {task_words(exercise, tongue)}"


def solution_words(exercise: Exercise[Mistake], tongue: Tongue) -> str:
    """The moves that answer the task, numbered, as far as they are printed; other good ones after `/`.

    Where a better move is asked for, only the engine's best is known: it is said that others may be as good.
    """
    lines = [exercise.solution[:SHOWN_PLIES], *((san,) for san in exercise.accepted[1:])]
    moves = " / ".join(numbered_sans(line, exercise.ply) for line in lines)
    return tongue.moves(joined(moves, as_good_words(exercise, tongue)))


def as_good_words(exercise: Exercise[Mistake], tongue: Tongue) -> str:
    """That another move may answer the task as well; empty where all good answers are known."""
    if exercise.task is not QuestionKind.INSTEAD:
        return ""
    best = numbered_sans(exercise.solution[:1], exercise.ply)
    return tongue.moves(f"({tongue.phrases.as_good.format(move=best)})")


def why_words(exercise: Exercise[Mistake], tongue: Tongue) -> str:
    """All that stands behind a solution: its reason, what was better, and what was played."""
    return joined(because_words(exercise, tongue), game_words(exercise, tongue))


def because_words(exercise: Exercise[Mistake], tongue: Tongue) -> str:
    """The reason for the solution, and a better move or line, in the sheet's language."""
    finding: Mistake = exercise.finding
    better = numbered_sans(finding.better[:3], finding.ply)
    refutation = refutation_words(finding, SHOWN_PLIES)
    sentences = [_reason(finding, tongue), _pattern(finding, tongue)]
    if exercise.task is not QuestionKind.INSTEAD:
        sentences.append(tongue.phrases.better.format(moves=better))
    elif refutation:
        sentences.insert(0, tongue.phrases.fails.format(move=reply_words(finding), moves=refutation))
    return tongue.moves(joined(*sentences))


def game_words(exercise: Exercise[Mistake], tongue: Tongue) -> str:
    """What was played in the game that an exercise is from, and how often such a motif is found; or empty."""
    finding: Mistake = exercise.finding
    if not isinstance(finding, Moment):
        return ""
    return tongue.moves(joined(_played(finding, tongue), _finders(exercise.finders, tongue)))


def _played(moment: Moment, tongue: Tongue) -> str:
    answer = numbered_sans([moment.played], moment.ply + 1)
    return tongue.phrases.played.format(move=answer) if moment.played else ""


def _finders(count: MotifCount | None, tongue: Tongue) -> str:
    if count is None or count.find_rate is None:
        return ""
    phrases, found, chances = tongue.phrases, f"{count.found:,}", f"{count.chances:,}"
    return phrases.finders.format(found=found, chances=chances, band=phrases.band(count.band))


def _reason(finding: Mistake, tongue: Tongue) -> str:
    """In the sheet's own words where there are any for it, else in the finding's; of no reason nothing."""
    if plain(finding.reason_detail) == NO_SIMPLE_REASON:
        return ""
    phrases = tongue.phrases
    printed = (phrases.missed if is_missed(finding) else phrases.reasons).get(finding.reason, "")
    moves = re.search(r"\d+$", plain(finding.reason_detail))
    if not printed or ("{n}" in printed and not moves):
        return reason_sentence(finding)
    errs, profits = (phrases.side(side) for side in (finding.mover, finding.side))
    return printed.format(errs=errs, profits=profits, n=moves[0] if moves else "")


def pattern_name(finding: Mistake, tongue: Tongue) -> str:
    """By what a mistake is punished, for a hint; empty: no more is known than that it loses."""
    if finding.pattern in (None, "", Theme.POSITION):
        return ""
    return tongue.phrases.pattern(finding.pattern or "") or str(finding.pattern)


def _pattern(finding: Mistake, tongue: Tongue) -> str:
    named = tongue.phrases.pattern(finding.pattern or "")
    return f"{capital(named)}." if named else pattern_sentence(finding)


@dataclass(frozen=True, kw_only=True, slots=True)
class BoardLine:
    """Moves for the demonstration board, with the losing reply apart so that it can stand out."""

    before: str
    reply: str
    after: str


def demonstration(finding: Mistake, tongue: Tongue) -> BoardLine:
    """The way to the position, the losing reply with its sign, and the refutation."""
    after = refutation_words(finding, SHOWN_PLIES)
    # Black's reply goes on behind White's move, without a number of its own.
    reply = finding.losing_reply if finding.ply % 2 else reply_words(finding)
    if finding.ply % 2 == 0 and after:
        after = after.partition("...")[2]
    return BoardLine(
        before=tongue.moves(numbered_sans(finding.path)),
        reply=tongue.moves(reply) + finding.sign,
        after=tongue.moves(after),
    )


def heading(finding: Mistake) -> str:
    """A finding's title with the ECO code of its opening."""
    eco = own_eco(finding)
    return title(finding) + (f" ({eco})" if eco else "")


def whom_words(exercise: Exercise[Finding]) -> str:
    """Whose mistake it is and who is taught."""
    errs, taught = exercise.finding.mover.capitalize(), exercise.taught.capitalize()
    return f"For {taught}'s pupils. {errs} errs: {band_words(exercise.finding.band)}."


def say_words(exercise: Exercise[Finding], tongue: Tongue) -> list[str]:
    """Questions and explanations for the coach, step by step."""
    finding = exercise.finding
    side = "White" if exercise.board.turn else "Black"
    ask = (PATTERNS[finding.pattern] if finding.pattern else REASONS[finding.reason]).ask
    if is_missed(finding):
        ask = _ASK_MISSED
    shown = refutation_words(finding, SHOWN_PLIES)
    begin = {
        QuestionKind.PUNISH: f"{finding.mover.capitalize()} has just played {reply_words(finding)}. "
        f"{side} to move: what now?",
        QuestionKind.WRONG: f"{side} would like to play {reply_words(finding)}. What happens then?",
        QuestionKind.INSTEAD: f"{side} often plays {reply_words(finding)} here. Why is that not good?",
    }
    because = because_sentences(finding)
    steps = [
        f"Ask: {begin[exercise.task]}",
        f"If nobody knows: {ask}",
        joined(f"Show: {shown}. {because}" if shown else f"Show: {because}", usual_sentence(finding)),
        f"Better was {best_words(finding)}. {price_sentence(finding)}".strip()
        if finding.kind is Kind.TRAP
        else f"Play instead: {best_words(finding)}.",
    ]
    return [tongue.moves(step) for step in steps]


def number_words(exercise: Exercise[Finding], tongue: Tongue) -> list[str]:
    """How often the reply is chosen, who finds the punishment, what came of it and what it is worth."""
    finding = exercise.finding
    facts = [
        f"{reply_words(finding)} was chosen in {often_words(finding)}.",
        found_sentence(finding) or "Not known how many of the band find a good answer.",
        lasting_sentence(finding),
        observed_sentence(finding),
        f"Worth {worth_words(finding)}.",
    ]
    return [tongue.moves(fact) for fact in facts if fact]
