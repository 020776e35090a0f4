"""Cards, read back by the csv module, and their pictures, by an XML parser."""

from __future__ import annotations

import csv
import io
import xml.etree.ElementTree as ET
from datetime import date, timedelta

import chess
from hypothesis import given

from miner.lesson.cards import AGAIN_AFTER, cards_csv, cards_files
from miner.lesson.exercises import choose
from miner.lesson.phrases import Tongue
from miner.lesson.sheets import Looks
from miner.terms import Kind
from tests.export.examples import first_move, legal, vienna
from tests.lesson.pages import ANY_TEXT

ENGLISH = Tongue.of("en")
START = date(2025, 9, 15)


def cards_of(contents: bytes) -> list[dict[str, str]]:
    """The table's rows by their headings."""
    return list(csv.DictReader(io.StringIO(contents.decode(), newline="")))


def test_a_card() -> None:
    """Without a first day a card is a question, an answer and a picture."""
    contents = cards_csv(choose([legal()]), ENGLISH)

    [card] = cards_of(contents)
    assert contents.startswith(b"question,answer,picture\r\n")
    assert card["question"].startswith("White to move. How do you punish 5...Bxd1? | 1.e4 e5 2.Nf3 d6")
    assert chess.Board(card["question"].rpartition(" | ")[2]) == choose([legal()])[0].board
    assert card["answer"].startswith("6.Bxf7+ Ke7 7.Nd5# | It allows mate in 2.")


def test_cards_come_back_in_growing_distances() -> None:
    """Three cards a day; each comes back after 1, 3, 7, 16 and 35 days."""
    rows = [legal(), vienna(), first_move(), vienna(key=1), legal(key=2)]

    cards = cards_of(cards_csv(choose(rows), ENGLISH, START))

    assert [card["due"] for card in cards] == ["2025-09-15"] * 3 + ["2025-09-16"] * 2
    assert cards[0]["again"] == "2025-09-16 2025-09-18 2025-09-22 2025-10-01 2025-10-20"
    for card in cards:
        first = date.fromisoformat(card["due"])
        assert [date.fromisoformat(day) - first for day in card["again"].split()] == [
            timedelta(days=days) for days in AGAIN_AFTER
        ]


def test_pictures() -> None:
    """Each card names its picture, which shows the card's position, the pupils' side at the bottom."""
    exercises = choose([legal(), vienna(kind=Kind.PITFALL), first_move()])

    files = cards_files(exercises, Looks(tongue=ENGLISH))
    cards = cards_of(files.pop("cards.csv"))

    assert {card["picture"] for card in cards} == set(files)
    assert len(files) == len(exercises)
    for card, exercise in zip(cards, exercises, strict=True):
        picture = ET.fromstring(files[card["picture"]])
        men = [one for one in picture.iter() if one.attrib.get("class", "").startswith("piece-")]
        coordinates = [one.text for one in picture.iter("{http://www.w3.org/2000/svg}text")]
        assert len(men) == len(exercise.board.piece_map())
        assert coordinates[0] == ("a" if exercise.taught == "white" else "h")
        assert picture[0].attrib["fill"] == "#fff"


@given(text=ANY_TEXT)
def test_hostile_text(text: str) -> None:
    """Whatever a tag or a reason holds, each card comes back whole, and none is a formula."""
    chosen = choose([legal(opening=text, eco=text, reason_detail=text), vienna(opening=text)])

    cards = cards_of(cards_csv(chosen, ENGLISH))

    assert len(cards) == len(chosen)
    assert all(set(card) == {"question", "answer", "picture"} for card in cards)
    assert not [cell for card in cards for cell in card.values() if cell[:1] in tuple("=+-@＝＋－＠")]
