"""What the pages say, as plain values that the browser's page and the paper are both made of."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from miner.finding.finding import Finding
from miner.finding.words import numbered_sans, opening_words, reason_sentence, reply_words
from miner.lesson.exercises import Exercise, Task
from miner.lesson.phrases import Tongue
from miner.lesson.sentences import demonstration, solution_words, task_words, to_move_words, why_words
from miner.pupils.before_after import EVERYBODY, FEWEST, Verdict
from miner.pupils.check import Outcome, PupilsCheck
from miner.pupils.homework import Record, next_exercises, records
from miner.terms import Kind

SHOWN_FINDINGS = 8
SHOWN_GAMES = 3
SHOWN_WELL = 6

_ENGLISH = Tongue.of("en")

Data = dict[str, Any]


def file_of(pupil: str) -> str:
    """The name that a pupil's files begin with: `pupil-4172`."""
    return pupil.lower().replace(" ", "-")


def called(check: PupilsCheck, pupil: str) -> str:
    """The pupil's name if names were asked for, else the pseudonym."""
    return check.names.get(pupil, pupil)


def points_words(points: float) -> str:
    """Points with two decimals.

    >>> points_words(0.314), points_words(0.001), points_words(0.0)
    ('0.31', '0.01', '0')
    """
    return "0" if points <= 0.0 else f"{max(points, 0.01):.2f}"


def of_words(count: int, total: int) -> str:
    """How often of how often: `3 of 12`; a dash if never."""
    return f"{count:,} of {total:,}" if total else "–"


def counted(number: int, name: str, plural: str = "") -> str:
    """A number with its noun.

    >>> counted(1, "pupil"), counted(2_000, "pupil")
    ('1 pupil', '2,000 pupils')
    """
    return f"{number:,} {name if number == 1 else plural or name + 's'}"


def times_words(number: int) -> str:
    """How often.

    >>> [times_words(number) for number in (0, 1, 2, 1_000)]
    ['never', 'once', 'twice', '1,000 times']
    """
    return ("never", "once", "twice")[number] if number < 3 else f"{number:,} times"


def _about_words(number: float) -> str:
    return f"about {times_words(round(number))}" if number >= 0.5 else "hardly ever"


# The group


def group_data(check: PupilsCheck) -> Data:
    """All that the group's page shows."""
    table = check.by_pupil.sort_values(["lost", "pupil"], ascending=[False, True])
    return {
        "title": "Pupils' games and the opening mistakes",
        "subtitle": _group_subtitle(check),
        "summary": _group_summary(check),
        "lesson": _lesson(check, EVERYBODY),
        "has_groups": bool((table["group"] != "").any()),
        "pupils": [_pupil_row(check, row) for row in table.to_dict("records")],
        "findings": [_finding_row(check, row) for row in _costly(check.by_finding)],
        "notes": notes(check),
    }


def _costly(by_finding: pd.DataFrame) -> list[Data]:
    wrong = by_finding[by_finding["fell_in"] + by_finding["missed"] > 0]
    rows: list[Data] = wrong.head(SHOWN_FINDINGS).to_dict("records")  # type: ignore[assignment]
    return rows


def _group_subtitle(check: PupilsCheck) -> str:
    pupils, games = counted(len(check.by_pupil), "pupil"), counted(check.games, "game")
    return f"{pupils}, {games} of theirs{_span(check.meetings)}"


def _span(meetings: pd.DataFrame) -> str:
    days = sorted(day for day in meetings["date"].unique() if day[:4].isdigit())
    return f", from {days[0]} to {days[-1]}" if days else ""


def _group_summary(check: PupilsCheck) -> list[str]:
    table = check.by_pupil
    sums = table[["fell_in", "avoided", "punished", "missed", "games"]].sum().astype(int)
    asked, faced = sums["fell_in"] + sums["avoided"], sums["punished"] + sums["missed"]
    if not asked + faced:
        return ["The pupils met none of the positions in these games."]
    return [
        f"Pupils made one of the common mistakes {sums['fell_in']:,} of the {asked:,} times when they could; "
        f"players of their rating make it about {table['usual_falls'].sum():,.0f} times there.",
        f"Of {counted(int(faced), 'such mistake')} of their opponents they punished {sums['punished']:,}.",
        f"Together that left {points_words(table['lost'].sum())} points on the board, "
        f"{100.0 * table['lost'].sum() / max(1, sums['games']):.1f} for a pupil in 100 games.",
    ]


def _pupil_row(check: PupilsCheck, row: Any) -> Data:
    return {
        "pupil": called(check, row["pupil"]),
        "file": file_of(row["pupil"]),
        "group": row["group"],
        "games": f"{row['games']:,}",
        "fell": of_words(row["fell_in"], row["fell_in"] + row["avoided"]),
        "usual": f"{row['usual_falls']:.1f}" if row["fell_in"] + row["avoided"] else "–",
        "punished": of_words(row["punished"], row["punished"] + row["missed"]),
        "lost": points_words(row["lost"]),
        "per_100": f"{row['lost_per_100']:.1f}",
        "since": _since_words(check, row["pupil"]),
    }


_SHORT = {
    ("falling in", Verdict.BETTER): "falls in less",
    ("falling in", Verdict.WORSE): "falls in more",
    ("punishing", Verdict.BETTER): "punishes more",
    ("punishing", Verdict.WORSE): "punishes less",
}


def _since_words(check: PupilsCheck, pupil: str) -> str:
    """The change since the lesson in a few words."""
    rows = check.progress[check.progress["pupil"] == pupil]
    found = [(row["skill"], Verdict(row["verdict"])) for _, row in rows.iterrows()]
    clear = [_SHORT[one] for one in found if one in _SHORT]
    if clear:
        return ", ".join(clear)
    too_little = all(verdict is Verdict.TOO_LITTLE for _, verdict in found)
    return str(Verdict.TOO_LITTLE if too_little else Verdict.UNCLEAR)


def _finding_row(check: PupilsCheck, row: Data) -> Data:
    there = check.meetings[(check.meetings["key"] == row["key"]) & (check.meetings["move"] == row["move"])]
    finding = check.finding(there.iloc[0])
    wrong = there[there["outcome"].isin([Outcome.FELL_IN, Outcome.MISSED])]
    return _position(finding) | {
        "whom": f"{counted(wrong['pupil'].nunique(), 'pupil')} of {row['pupils']} who met it",
        "fell": of_words(row["fell_in"], row["fell_in"] + row["avoided"]),
        "punished": of_words(row["punished"], row["punished"] + row["missed"]),
        "lost": points_words(row["lost"]),
    }


def _position(finding: Finding) -> Data:
    """A finding's board before the losing reply, its moves and why it loses."""
    exercise = Exercise(number=1, task=Task.WRONG, finding=finding, find_rate=0.0, is_known=False)
    line = demonstration(exercise, _ENGLISH)
    return {
        "fen": finding.fen,
        "bottom": str(finding.mover),
        "alt": f"Position before {line.reply}",
        "opening": opening_words(finding),
        "before": line.before,
        "reply": line.reply,
        "after": line.after,
        "why": reason_sentence(finding),
    }


# Progress


def _lesson(check: PupilsCheck, pupil: str) -> Data | None:
    """Both skills before and after the lesson; None without a lesson."""
    if check.lesson is None:
        return None
    rows = check.progress[check.progress["pupil"] == pupil]
    return {
        "heading": f"Since the lesson on {check.lesson.isoformat()}",
        "rows": [_change(row, check.confidence) for _, row in rows.iterrows()],
        "none": "" if len(rows) else "No position was met on both sides of that day: nothing can be told.",
    }


def _change(row: Any, confidence: float) -> Data:
    before, after = row["yes_before"] + row["no_before"], row["yes_after"] + row["no_after"]
    return {
        "skill": "Fell in" if row["skill"] == "falling in" else "Punished",
        "before": of_words(row["yes_before"], before),
        "after": of_words(row["yes_after"], after),
        "intervals": [
            {"low": row[f"{when}_low"], "middle": row[when], "high": row[f"{when}_high"], "games": games}
            for when, games in (("before", before), ("after", after))
        ],
        "sentence": _change_sentence(row, before, after, confidence),
    }


def _change_sentence(row: Any, before: int, after: int, confidence: float) -> str:
    verdict = Verdict(row["verdict"])
    if verdict is Verdict.TOO_LITTLE:
        return (
            f"Too little to tell: {counted(before, 'occasion')} before and {after} after; "
            f"{FEWEST} on either side are the least."
        )
    low, high = (round(100.0 * row[name]) for name in ("change_low", "change_high"))
    likely = (
        f"with {confidence:.0%} probability the rate moved by {low:+d} to {high:+d} percentage points"
    ).replace("-", "−")
    if verdict is Verdict.UNCLEAR:
        return f"No clear change: {likely}."
    more = "more" if (verdict is Verdict.BETTER) == (row["skill"] == "punishing") else "less"
    return f"{verdict.capitalize()}: {more} often, {likely}."


# One pupil


def pupil_data(check: PupilsCheck, pupil: str, most: int) -> tuple[Data, list[Exercise]]:
    """All that a pupil's page shows, and the exercises on it."""
    own = records(check, pupil)
    chosen = next_exercises(own, most)
    [row] = check.by_pupil[check.by_pupil["pupil"] == pupil].to_dict("records")
    meetings = check.meetings[check.meetings["pupil"] == pupil]
    games = counted(row["games"], "game")
    return {
        "title": called(check, pupil),
        "subtitle": ", ".join(one for one in (row["group"], f"{games}{_span(meetings)}") if one),
        "summary": _pupil_summary(row),
        "lesson": _lesson(check, pupil),
        "well": [_well(one) for one in _went_well(own)],
        "exercises": [_exercise(exercise, record) for exercise, record in chosen],
        "wrong": [_wrong(one, meetings) for one in own if one.wrong],
        "several_sources": meetings["source"].nunique() > 1,
        "notes": _pupil_notes(check),
    }, [exercise for exercise, _ in chosen]


def _pupil_summary(row: Any) -> list[str]:
    asked, faced = row["fell_in"] + row["avoided"], row["punished"] + row["missed"]
    if not asked + faced:
        return ["In these games none of the positions came up where it was up to you."]
    told = []
    if asked:
        told.append(
            f"You could have made one of the common mistakes {times_words(asked)}, and made it "
            f"{times_words(row['fell_in'])}; players of your rating make it "
            f"there {_about_words(row['usual_falls'])}."
        )
    if faced:
        told.append(
            f"Your opponents made {counted(faced, 'such mistake')}, and you punished "
            f"{row['punished']} of them."
        )
    told.append(
        f"The mistakes and the missed chances cost about {points_words(row['lost'])} points."
        if row["lost"] > 0.0
        else "That cost you nothing."
    )
    return told


def _went_well(own: Sequence[Record]) -> list[Record]:
    """Punished mistakes first, then those that were avoided after having been made."""
    punished = [one for one in own if one.finding.kind is Kind.TRAP and one.right]
    learned = [one for one in own if one.finding.kind is Kind.PITFALL and one.wrong and one.is_mastered]
    punished.sort(key=lambda one: (-one.right, -one.finding.gain_for_band))
    return [*punished, *learned][:SHOWN_WELL]


def _well(record: Record) -> Data:
    return {
        "opening": opening_words(record.finding),
        "reply": reply_words(record.finding),
        "times": f"{_right(record)} {record.right} of {len(record.outcomes)} times"
        if record.wrong
        else f"{_right(record)} {times_words(record.right)}",
    }


def _right(record: Record) -> str:
    return "punished" if record.finding.kind is Kind.TRAP else "avoided"


def _exercise(exercise: Exercise, record: Record) -> Data:
    return {
        "number": exercise.number,
        "fen": exercise.board.fen(),
        "bottom": str(exercise.taught),
        "alt": f"Exercise {exercise.number}: {exercise.board.fen()}",
        "opening": opening_words(exercise.finding),
        "to_move": to_move_words(exercise, _ENGLISH),
        "task": task_words(exercise, _ENGLISH),
        "because": _record_words(record),
        "solution": solution_words(exercise, _ENGLISH),
        "why": why_words(exercise, _ENGLISH),
    }


def _record_words(record: Record) -> str:
    """How the pupil fared with it so far."""
    times = len(record.outcomes)
    if not record.wrong:
        return f"{_right(record).capitalize()} so far, but met only once."
    wrong = "Not punished" if record.finding.kind is Kind.TRAP else "Fell in"
    last = f", last on {record.last_wrong}" if record.last_wrong[:4].isdigit() else ""
    cost = f"; {points_words(record.lost)} points" if record.lost > 0.0 else ""
    since = " Right since then." if record.is_mastered else ""
    return f"{wrong} {record.wrong} of {counted(times, 'time')}{last}{cost}.{since}"


def _wrong(record: Record, meetings: pd.DataFrame) -> Data:
    """A mistake of the pupil's with its newest games."""
    finding = record.finding
    is_trap = finding.kind is Kind.TRAP
    there = meetings[
        (meetings["key"] == finding.key)
        & (meetings["losing_reply"] == finding.losing_reply)
        & (meetings["outcome"] == (Outcome.MISSED if is_trap else Outcome.FELL_IN))
    ].sort_values(["date", "source", "number"], ascending=False)
    several = meetings["source"].nunique() > 1
    games = [_game_words(row, several) for row in there.head(SHOWN_GAMES).to_dict("records")]
    more = len(there) - len(games)
    played = list(dict.fromkeys(there["played"]))[:SHOWN_GAMES]
    answer = _either([numbered_sans(played[:1], finding.ply + 1), *played[1:]])
    return {
        "what": f"answered {reply_words(finding)} with {answer}"
        if is_trap
        else f"played {reply_words(finding)}",
        "opening": opening_words(finding),
        "times": of_words(record.wrong, len(record.outcomes)),
        "lost": points_words(record.lost) if record.lost > 0.0 else "?",
        "games": ", ".join(games) + (f" and {more} more" if more else ""),
    }


def _either(words: Sequence[str]) -> str:
    """Words as alternatives.

    >>> _either(["6.Qd3", "e4", "Nxd5"])
    '6.Qd3, e4 or Nxd5'
    """
    return " or ".join(one for one in (", ".join(words[:-1]), words[-1]) if one)


def _game_words(row: Any, several: bool) -> str:
    """Which game it was: its date, and its number in the file."""
    number = f"no. {row['source']}/{row['number']}" if several else f"no. {row['number']}"
    return f"{row['date']} ({number})" if row["date"][:4].isdigit() else number


# What it rests on


def notes(check: PupilsCheck) -> list[str]:
    """What was looked at, what was set aside, and how it was reckoned."""
    kept = check.ledger["kept"] + check.ledger["kept to illegal move"]
    aside = sorted(
        ((count, state) for state, count in check.ledger.items() if count and not state.startswith("kept")),
        key=lambda one: (-one[0], one[1]),
    )
    told = ", ".join(f"{count:,} {state}" for count, state in aside)
    lines = [
        f"{counted(check.ledger.total(), 'game')} seen, {kept:,} looked at; set aside: {told or 'none'}.",
    ]
    if check.ledger["kept to illegal move"]:
        broken = counted(check.ledger["kept to illegal move"], "game")
        lines.append(f"{broken} count up to a move that is not legal.")
    if check.without_pupils:
        lines.append(f"{counted(check.without_pupils, 'game')} are of nobody whose games count.")
    if check.too_early:
        early = counted(check.too_early, "game")
        lines.append(f"{early} of pupils lie before the day from which theirs count, or have no date.")
    if check.absent:
        lines.append(
            f"{counted(len(check.absent), 'player')} of the list have no game here: "
            f"number {', '.join(map(str, check.absent))} of the list."
        )
    return [*lines, *_reckoning(check)]


def _reckoning(check: PupilsCheck) -> list[str]:
    lines = [
        "Positions are found by whatever moves they are reached. Each is held against the finding of the "
        "rating band that is nearest to the pupil's rating in that game; without one, to the middle of the "
        "pupil's other ratings.",
        "Points lost: what the mistake costs players of the band on average, and of a mistake that was not "
        "punished, the part of the gain that the answer gave up.",
        _answers_note(check),
    ]
    if len(check.known.sides) == 1:
        [side] = check.known.sides
        lines.append(f"The store holds findings for {side.capitalize()}'s pupils only.")
    if check.lesson:
        lines.append(
            f"Intervals hold with {check.confidence:.0%} probability: of ten comparisons one looks clear by "
            "chance alone. Games on the day of the lesson, and undated ones, count on neither side. The "
            "group's rates are of pupils with games on both sides, and allow for pupils' differing from each "
            "other."
        )
    return lines


def _answers_note(check: PupilsCheck) -> str:
    answered = check.meetings[check.meetings["outcome"].isin([Outcome.PUNISHED, Outcome.MISSED])]
    guessed = int(((answered["basis"] == "refutation") & (answered["outcome"] == Outcome.MISSED)).sum())
    told = "A mistake is punished if the answer keeps more than half of the gain"
    if not check.known.has_followed:
        return (
            "A mistake counts as punished if the answer is the best one. The store does not say how good "
            "other answers are (`miner follow` finds out): they count as missed, and cost nothing here."
        )
    if guessed:
        return (
            f"{told}. {counted(guessed, 'answer')} that the store does not know count as missed, and cost "
            "nothing here."
        )
    return f"{told}."


def _pupil_notes(check: PupilsCheck) -> list[str]:
    return [_reckoning(check)[1], _answers_note(check)]
