"""The table of what was taught."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from miner.errors import UsageError
from miner.lesson.taught import Line, TaughtTable, position_words
from tests.export.examples import legal, vienna

MONDAY, TUESDAY, WEDNESDAY = (date(2025, 9, day) for day in (15, 16, 17))


def table() -> TaughtTable:
    """A position and a motif for two groups."""
    return TaughtTable(
        (
            Line(MONDAY, "A", position_words(vienna())),
            Line(TUESDAY, "A", "double attack: queen on e5"),
            Line(WEDNESDAY, "B", f"{legal().key:016x}"),
        )
    )


def test_read_back(tmp_path: Path) -> None:
    """As it was written; a file that is not there holds nothing."""
    table().write(tmp_path / "taught.csv")

    assert TaughtTable.read(tmp_path / "taught.csv") == table()
    assert TaughtTable.read(tmp_path / "other.csv") == TaughtTable()


def test_a_coach_s_own_lines(tmp_path: Path) -> None:
    """With semicolons, as some spreadsheets write them; a line without a group is every group's."""
    file = tmp_path / "taught.csv"
    file.write_text("\ufeffDate;Group;What\r\n2025-09-15;;pin\r\n\r\n", encoding="utf-8")

    [line] = TaughtTable.read(file).of_group("A").lines

    assert (line.day, line.what, line.key) == (MONDAY, "pin", None)


def test_what_a_group_was_taught() -> None:
    """Before a day, by position and reply, by key alone, and by motif."""
    of_a, of_b = table().of_group("A"), table().of_group("B")

    assert of_a.holds(vienna())
    assert not of_a.holds(legal())
    assert of_b.holds(legal())  # whatever the reply
    assert of_a.motifs == {"double attack: queen on e5"}
    assert not of_a.before(MONDAY).lines
    assert of_a.before(TUESDAY).holds(vienna())
    assert table().day_of("A", vienna().key, "exf4") == MONDAY
    assert table().day_of("A", vienna().key, "d6") is None
    assert table().day_of_pattern("A", "double attack") == TUESDAY
    assert table().day_of_pattern("B", "double attack") is None


def test_lessons_take_the_place_of_those_of_their_days() -> None:
    """So that a call that is made again changes nothing; the other group's stay."""
    new = [Line(TUESDAY, "A", "pin")]

    one_day = table().with_lessons("A", new, TUESDAY, TUESDAY)
    twice = one_day.with_lessons("A", new, TUESDAY, TUESDAY)
    from_monday = table().with_lessons("A", new, MONDAY, None)

    assert [line.what for line in one_day.lines][1:] == ["pin", f"{legal().key:016x}"]
    assert twice == one_day
    assert [line.group for line in from_monday.lines] == ["A", "B"]


@pytest.mark.parametrize(
    "text", ["name,what\n", "date,group,what\n15.9.2025,A,pin\n", "date,group,what\n2025-09-15,pin\n"]
)
def test_what_is_wrong_is_told_with_its_line(tmp_path: Path, text: str) -> None:
    """And how to write it."""
    file = tmp_path / "taught.csv"
    file.write_text(text, encoding="utf-8")

    with pytest.raises(
        UsageError, match=r"taught.csv, line \d: .*; write lines such as 2025-09-16,Juniors,pin"
    ):
        TaughtTable.read(file)
