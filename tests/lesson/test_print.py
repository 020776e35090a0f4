"""The sheets, answers and coach's pages, read by a second PDF program."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from miner.errors import UsageError
from miner.finding.finding import Finding
from miner.finding.words import plain
from miner.lesson.backing import Backing, ModelGame
from miner.lesson.exercises import Exercise, choose
from miner.lesson.phrases import LETTERS, PHRASES, Tongue
from miner.lesson.sheets import FEWEST, MOST, Looks, Paper, answers_pdf, coach_pdf, layout_of, pupil_pdf
from miner.terms import Kind
from tests.export.examples import finding, first_move, legal, vienna
from tests.lesson.pages import HOSTILE, diagrams, fonts, sizes_mm, texts

ENGLISH = Looks(tongue=Tongue.of("en"))

pytest.importorskip("typst", reason="PDF needs the extra `print`")


def exercises(count: int = 3) -> list[Exercise[Finding]]:
    """So many exercises, each about another position."""
    rows = [legal(), vienna(kind=Kind.PITFALL), first_move()]
    rows += [
        finding(f"e4 e5 Nf3 Nc6 {move}", "d6", "d4", "Nf6")
        for move in ("a3", "a4", "b3", "b4", "c3", "c4", "d3", "g3", "g4", "h3", "h4", "Be2", "Bd3")
    ]
    return choose(rows[:count], top=count)


def test_a_pupils_sheet() -> None:
    """Each exercise has its number, its task and its diagram."""
    contents = pupil_pdf(exercises(), ENGLISH)

    [page] = texts(contents)
    assert "Opening exercises Name" in page
    assert "White to move. How do you punish 5...Bxd1?" in page
    assert "Black to move. 3...exf4 is a mistake. Find a good move instead." in page
    assert "White to move. 1.g4 is a mistake. Find a good move instead." in page
    assert diagrams(contents) == [one.board.fen() for one in exercises()]


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize("per_page", range(FEWEST, MOST + 1))
def test_every_number_of_diagrams(paper: Paper, per_page: int) -> None:
    """The promised number is on each page: nothing runs over to the next one."""
    chosen = exercises(per_page + 1)

    pages = texts(pupil_pdf(chosen, dataclasses.replace(ENGLISH, paper=paper, per_page=per_page)))

    assert [page.count("to move.") for page in pages] == [per_page, 1]
    assert pages[1].endswith("Page 2 of 2")


@pytest.mark.parametrize("paper", list(Paper))
def test_paper(paper: Paper) -> None:
    """Every kind of page has the size that was asked for."""
    looks = dataclasses.replace(ENGLISH, paper=paper)
    wanted = {(round(paper.size[0]), round(paper.size[1]))}

    for contents in (
        pupil_pdf(exercises(), looks),
        answers_pdf(exercises(), looks),
        coach_pdf(exercises(), looks),
    ):
        assert sizes_mm(contents) == wanted


def test_diagrams_are_large_enough() -> None:
    """Six on a page are as large as a book's, twelve still larger than a thumb's breadth."""
    for paper in Paper:
        assert layout_of(paper, 6).diagram_width > 45
        assert layout_of(paper, 12).diagram_width > 30


@pytest.mark.parametrize("per_page", [1, 13])
def test_what_goes_on_no_page(per_page: int) -> None:
    """One diagram or thirteen are refused."""
    with pytest.raises(UsageError):
        pupil_pdf(exercises(), dataclasses.replace(ENGLISH, per_page=per_page))


def test_figurines_are_in_the_font() -> None:
    """Figurines come back from the page, set in the font that has them."""
    contents = answers_pdf(exercises(), Looks(tongue=Tongue.of("figurines")))

    [page] = texts(contents)
    assert "6.♗xf7+ ♔e7 7.♘d5#" in page
    assert "DejaVuSansMono" in fonts(contents)


@pytest.mark.parametrize("language", list(LETTERS))
def test_languages(language: str) -> None:
    """The words are the language's own where they are known; every letter is in a font."""
    tongue = Tongue.of(language)

    [page] = texts(pupil_pdf(exercises(), Looks(tongue=tongue)))
    [answers] = texts(answers_pdf(exercises(), Looks(tongue=tongue)))

    assert PHRASES.get(language, PHRASES["en"]).title in page
    king, knight = LETTERS[language][0], LETTERS[language][4]
    assert f"{king}e7" in answers
    assert f"{knight}d5#" in answers
    assert "\ufffd" not in page + answers


def test_german() -> None:
    """A German sheet is German throughout."""
    looks = Looks(tongue=Tongue.of("de"))

    [page] = texts(pupil_pdf(exercises(), looks))
    [answers] = texts(answers_pdf(exercises(), looks))

    assert "Weiß am Zug. Wie bestrafst du 5...Lxd1?" in page
    assert "6.Lxf7+ Ke7 7.Sd5# Matt in 2. Besser: 5...dxe5 6.Dxg4." in answers


def test_german_words_with_figurines() -> None:
    """Words and letters are chosen apart."""
    [page] = texts(pupil_pdf(exercises(), Looks(tongue=Tongue.of("de", figurines=True))))

    assert "Wie bestrafst du 5...♗xd1?" in page


def test_unknown_language() -> None:
    """A language whose pieces nobody told us is refused."""
    with pytest.raises(UsageError, match="tlh"):
        Tongue.of("tlh")


def test_coachs_pages() -> None:
    """The moves for the demonstration board, what to say, numbers, plan and model game are there."""
    row = legal()
    game = ModelGame(
        sans=("e4", "e5", "Nf3", "d6", "Bc4", "Bg4", "Nc3", "g6", "Nxe5", "Bxd1", "Bxf7+", "Ke7", "Nd5#"),
        reply_ply=9,
        moments=frozenset({8}),
        result="1-0",
        date="2024.09.15",
        winner_rating=1630,
        loser_rating=1200,
    )
    backing = Backing({row.reply: game}, {row.reply: ("knight d5 (60% of 12 won games)",)})

    [page] = texts(coach_pdf(choose([row]), ENGLISH, backing))

    assert "1.e4 e5 2.Nf3 d6 3.Bc4 Bg4 4.Nc3 g6 5.Nxe5 Bxd1?? 6.Bxf7+ Ke7 7.Nd5#" in page
    assert "Black has just played 5...Bxd1. White to move: what now?" in page
    assert "5...Bxd1 was chosen in 28 of 80 games (35%; 27 to 44%)." in page
    assert "found 6.Bxf7+ in 16 of 39 games by 31 players" in page
    assert "(by these and by what is usual, 40% are to be expected; 31 to 49%)." in page
    assert "knight d5 (60% of 12 won games)" in page
    assert "2024.09.15, won by a player rated 1630 against 1200, 1-0" in page
    assert "5.Nxe5 Bxd1?? 6.Bxf7+ Ke7 7.Nd5# 1-0" in page


def test_a_mistake_of_whites_on_the_demonstration_board() -> None:
    """White's losing reply carries its number, the answer goes on behind it."""
    [page] = texts(coach_pdf(choose([first_move()]), ENGLISH))

    assert "1.g4? d5 2.Bg2 Bxg4" in page


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_names_are_only_text(text: str) -> None:
    """Opening names, titles and reasons are printed as they are, and nothing of them is obeyed."""
    rows = [legal(opening=text, eco=text, reason_detail=text), vienna(opening=text)]
    looks = dataclasses.replace(ENGLISH, title=text)

    coach = " ".join(texts(coach_pdf(choose(rows), looks)))
    sheet = " ".join(texts(pupil_pdf(choose(rows), looks)))

    first = plain(text).split()[0]
    assert coach.count(first) >= 3
    assert first in sheet


@settings(max_examples=15)
@given(text=st.text(st.characters(codec="utf-8"), max_size=300))
def test_any_text_can_be_printed(text: str) -> None:
    """Whatever stands in a tag, the pages are made and the exercises are all there."""
    chosen = choose([legal(opening=text, reason_detail=text), vienna(opening=text, kind=Kind.PITFALL)])

    for contents in (answers_pdf(chosen, ENGLISH), coach_pdf(chosen, ENGLISH)):
        assert len(diagrams(contents)) == 2


def test_same_bytes() -> None:
    """The same exercises give the same PDF, which tells no time."""
    first, second = (coach_pdf(exercises(), ENGLISH) for _ in range(2))

    assert first == second
    assert b"CreationDate" not in first
