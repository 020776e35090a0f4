"""What a pupil should look at next."""

from __future__ import annotations

from pathlib import Path

from miner.lesson.exercises import QuestionKind
from miner.pupils.check import PupilsCheck, check_games
from miner.pupils.mastery import next_exercises, records
from tests.pupils.clubs import INTO_LEGAL, INTO_VIENNA, club_store, game, written

FELL, AVOIDED = f"{INTO_VIENNA} exf4 e5", f"{INTO_VIENNA} d5 fxe5"


def checked(folder: Path, *lines: str, player: str = "Bert") -> tuple[PupilsCheck, str]:
    """Bert's games in this order, a day each, and what he is called."""
    games = [game(moves, Date=f"2025.02.{day:02}") for day, moves in enumerate(lines, start=1)]
    check = check_games(club_store(folder), [written(folder, games)], [player])
    return check, check.by_pupil["pupil"].iloc[0]


def chosen(folder: Path, *lines: str, most: int = 6, player: str = "Bert") -> list[tuple[str, QuestionKind]]:
    """The losing replies of the exercises and what is asked."""
    found = next_exercises(records(*checked(folder, *lines, player=player)), most)
    return [(exercise.finding.losing_reply, exercise.task) for exercise, _ in found]


def test_what_cost_most(tmp_path: Path) -> None:
    """With room for one, the mistake that cost most: the mate, not the pawn."""
    assert chosen(tmp_path, FELL, f"{INTO_LEGAL} Bxd1 Bxf7+", most=1) == [("Bxd1", QuestionKind.WRONG)]


def test_open_before_mastered(tmp_path: Path) -> None:
    """What went right twice since comes after what did not, whatever it cost."""
    legal_avoided = f"{INTO_LEGAL} dxe5 Bxg4"

    found = chosen(tmp_path, f"{INTO_LEGAL} Bxd1 Bxf7+", legal_avoided, legal_avoided, FELL, most=1)

    assert found == [("exf4", QuestionKind.INSTEAD)]


def test_once_right_is_not_mastered(tmp_path: Path) -> None:
    """A position met once comes again, one that went right twice does not."""
    once, twice = chosen(tmp_path / "once", AVOIDED), chosen(tmp_path / "twice", AVOIDED, AVOIDED)

    assert (once, twice) == ([("exf4", QuestionKind.INSTEAD)], [])


def test_missed_punishment_is_asked_for(tmp_path: Path) -> None:
    """Who did not punish is asked to."""
    found = chosen(tmp_path, f"{INTO_VIENNA} exf4 d3", player="Anna")

    assert ("exf4", QuestionKind.PUNISH) in found


def test_record(tmp_path: Path) -> None:
    """A record tells the outcomes in order, the newest mistake and the points."""
    record = records(*checked(tmp_path, FELL, AVOIDED, FELL, AVOIDED))[0]

    assert [str(one) for one in record.outcomes] == ["fell in", "avoided"] * 2
    assert (record.wrong, record.right, record.last_wrong, record.lost) == (2, 2, "2025.02.03", 0.4)
    assert not record.is_mastered
