"""Every reason and pattern is known wherever it is told of. A new one fails here until it is complete."""

from __future__ import annotations

import re

import pytest

from miner.explain.motif import Theme
from miner.finding.why import why
from miner.lesson.exercises import as_exercises
from miner.lesson.phrases import ENGLISH, PHRASES, Tongue
from miner.lesson.sentences import say_words, why_words
from miner.reasons import PATTERNS, REASONS, Pattern, Reason, Words
from miner.report.contents import Details, mistake
from miner.schema import FINDINGS, METHODS
from tests.conftest import ROOT
from tests.export.examples import vienna

RANKED_WITH = {
    7: (
        *("mate", "material", "tempo", "king", "position"),
        *("double attack", "pin", "skewer", "discovered attack", "trapped piece", "removed defender"),
        *("overloaded defender", "back rank", "mating net"),
    ),
    10: (
        *("mate", "material", "tempo", "king", "position"),
        *("double attack", "pin", "skewer", "discovered attack", "trapped piece", "removed defender"),
        *("overloaded defender", "back rank", "mating net", "undefended piece", "too few defenders"),
        *("desperado", "in-between move"),
    ),
}
"""The reasons and patterns, by the method of `rank` from which on it has told them."""

EACH: dict[str, Words] = {str(one): words for one, words in (*REASONS.items(), *PATTERNS.items())}
OTHER_LANGUAGES = PHRASES.keys() - {ENGLISH}

each = pytest.mark.parametrize("name", EACH)


def test_every_member_has_words() -> None:
    """In the order of the members."""
    assert (list(REASONS), list(PATTERNS)) == (list(Reason), list(Pattern))


@each
def test_sentences(name: str) -> None:
    """A meaning is a sentence, what a coach asks a question."""
    words = EACH[name]

    assert re.fullmatch(r"[A-Z].{20,}\.", words.meaning)
    assert re.fullmatch(r"[A-Z].{10,}\?", words.ask)


def printed_words(name: str, language: str) -> str:
    """The words of a language's sheets for a reason or pattern."""
    phrases = PHRASES[language]
    return (phrases.reasons if name in {*Reason} else phrases.patterns).get(name, "")


def test_languages_know_no_others() -> None:
    """A reason or pattern that has gone, or is misspelt in a language's table, is noticed."""
    for language in OTHER_LANGUAGES:
        phrases = PHRASES[language]
        assert set(phrases.reasons) == {*Reason}
        assert set(phrases.patterns) == {*Pattern}
        assert set(phrases.themes) == {*Theme}
        assert phrases.missed.keys() <= {*Reason}


@each
def test_every_language_has_words_for_it(name: str) -> None:
    """Each language of the sheets; where it is only missed, none or each of them again."""
    missed = {language for language in OTHER_LANGUAGES if name in PHRASES[language].missed}

    assert {language for language in OTHER_LANGUAGES if printed_words(name, language)} == OTHER_LANGUAGES
    assert missed in (set(), OTHER_LANGUAGES)


def test_nothing_is_said_twice() -> None:
    """No words were copied from another reason or pattern and forgotten."""
    for said in (
        [words.meaning for words in EACH.values()],
        [words.ask for words in EACH.values()],
        *([printed_words(name, language) for name in EACH] for language in OTHER_LANGUAGES),
    ):
        assert len({*said}) == len(EACH)


@pytest.mark.parametrize("language", list(PHRASES))
@each
def test_it_is_told_to_coach_and_pupils(name: str, language: str) -> None:
    """On sheets in their language, on the coach's pages as a question, on the report's page as a sentence."""
    told = {"reason": Reason(name)} if name in {*Reason} else {"pattern": Pattern(name)}
    finding = vienna(reason_detail="mate in 3", **told)
    [exercise] = as_exercises([finding])
    words, tongue = EACH[name], Tongue.of(language)

    printed = printed_words(name, language) or ("It allows mate in 3." if "reason" in told else name)
    printed = re.sub(r"\{.*?\}", ".+", printed)
    assert re.search(printed, why_words(exercise, tongue), re.IGNORECASE)
    assert f"If nobody knows: {words.ask}" in say_words(exercise, tongue)
    assert words.meaning in why(finding)
    assert name in mistake(finding, finding.reply, Details(), [])[next(iter(told))]


def test_schema_and_readme_list_the_reasons() -> None:
    """In the same words."""
    column = FINDINGS.field("reason").metadata[b"is"].decode()
    readme = (ROOT / "README.md").read_text(encoding="utf-8")

    assert re.split(", | or ", column) == list(Reason)
    assert f"| `reason`, `reason_detail` | {column}, and what exactly |" in readme


def test_another_reason_is_another_method() -> None:
    """Stores that were ranked without it are out of date: raise METHODS["rank"], and write it down above."""
    newest = max(RANKED_WITH)

    assert RANKED_WITH[newest] == (*Reason, *Pattern)
    assert newest <= METHODS["rank"]
