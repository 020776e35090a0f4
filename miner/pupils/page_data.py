"""All that the pages of a check show, ready for the templates of the browser's page and of the paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import PurePath
from typing import Any

import pandas as pd

from miner.finding.finding import Finding
from miner.finding.mistake import Mistake
from miner.finding.moment import Moment
from miner.finding.motif_words import meaning_words, moment_line
from miner.finding.motifs import NO_STRIKE
from miner.finding.words import (
    agreeing,
    capital,
    counted,
    numbered_sans,
    opening_words,
    plain,
    reason_sentence,
    reply_words,
)
from miner.lesson.exercises import Exercise
from miner.lesson.phrases import Tongue
from miner.lesson.sentences import demonstration, solution_words, task_words, to_move_words, why_words
from miner.pupils.before_after import CLEAR_BELOW, EVERYBODY, FEWEST, ChangeVerdict
from miner.pupils.check import Outcome, PupilsCheck
from miner.pupils.mastery import Record, next_exercises, records
from miner.pupils.motifs import GroupRecord, MotifCheck, MotifRecord
from miner.schema import KEPT
from miner.terms import Kind

SHOWN_FINDINGS = 8
SHOWN_GAMES = 3
SHOWN_WELL = 6
SHOWN_MOTIFS = 5
SHOWN_WHO = 3
"""Pupils who fell most often for a motif of the group that are told."""
HALF_KEPT = 0.5
"""Share of the gain from which an answer that does not punish is told to keep some of it."""
AVOIDED_OFTEN, FALLS_SPARED = 2, 0.5
"""Times that a pupil must have avoided a mistake to be praised, and how often players of the rating would
have made it there.
"""

_ENGLISH = Tongue.of("en")

Data = dict[str, Any]
"""Values for JSON, by the names that the templates have for them; their texts are what a reader sees."""
_SINCE = {
    ("falling in", ChangeVerdict.BETTER): "falls in less",
    ("falling in", ChangeVerdict.WORSE): "falls in more",
    ("punishing", ChangeVerdict.BETTER): "punishes more",
    ("punishing", ChangeVerdict.WORSE): "punishes less",
}
_MADE_OR_PUNISHED = {"falling in": "made", "punishing": "punished"}
_PARTS = {
    "falling in": "Mistakes made: a shorter bar is better",
    "punishing": "Opponents' mistakes punished: a longer bar is better",
}
_BARS = (
    "The upper bar is before, the lower one after; a whole bar would be every time. There are none where "
    f"it is fewer than {FEWEST} times on either side."
)
_POSITIONS_NOTE = (
    "Positions are found by whatever moves they are reached. Each is held against the finding of the rating "
    "band that is nearest to the pupil's rating in that game; without one, to the middle of the pupil's "
    "other ratings."
)
_POINTS_NOTE = (
    "Points lost: what the mistake costs players of the band on average, and of a mistake that was not "
    "punished, the part of the gain that the answer gave up."
)
_MOTIFS_NOTE = (
    "Motifs are those of all mistakes in these games, found by the engine; their points are by its scale. "
    "Usual is what as many games or chances of players of the same rating hold, of all ratings where fewer "
    "than five of the same fell for it."
)
_MOTIFS_COUNT = (
    "These points are another count than those above: of all mistakes in these openings, also where a "
    "position came up once, each with what it gives away by the engine, whether it was punished or not."
)
_GAMES_NOTE = "A game's number counts the games of its file from 1, in their order."
_BY_CHANCE = round(1.0 / CLEAR_BELOW)
"""Of so many comparisons in which nothing has changed one looks clear, at most."""
_PROGRESS_NOTE = (
    "A change is told as clear where chance alone brings one as great in fewer than 1 of {by_chance} "
    "comparisons (Fisher's exact test): of {by_chance}, 1 may look clear by chance. "
    "Games on the day of the lesson, and undated ones, count on neither side. The group's rates are of "
    "pupils with games on both sides, and allow for pupils' differing from each other."
)


def file_of(pupil: str) -> str:
    """The name that a pupil's files begin with: `pupil-4172`."""
    return pupil.lower().replace(" ", "-")


def called(check: PupilsCheck, pupil: str) -> str:
    """The pupil's name if names were asked for, else the pseudonym."""
    return check.names.get(pupil, pupil)


def two_decimals(points: float) -> str:
    """Points with two decimals.

    >>> two_decimals(0.314), two_decimals(0.001), two_decimals(0.0)
    ('0.31', '0.01', '0')
    """
    return "0" if points <= 0.0 else f"{max(points, 0.01):.2f}"


def of_words(count: int, total: int) -> str:
    """A count of all there were, `3 of 12`; a dash if there were none."""
    return f"{count:,} of {total:,}" if total else "–"


def times_words(number: int) -> str:
    """A number of times in words.

    >>> [times_words(number) for number in (0, 1, 2, 1_000)]
    ['never', 'once', 'twice', '1,000 times']
    """
    return ("never", "once", "twice")[number] if number < 3 else f"{number:,} times"


# The group


def group_data(check: PupilsCheck) -> Data:
    """All that the group's page shows."""
    table = check.by_pupil.sort_values(["lost", "pupil"], ascending=[False, True])
    wrong = check.by_finding[check.by_finding["fell_in"] + check.by_finding["missed"] > 0]
    pupils, games = counted(len(table), "pupil"), counted(check.games, "game")
    return {
        "title": "Pupils' games and the opening mistakes",
        "subtitle": f"{pupils}, {games} of theirs{_span(table)}{_twice_words(check)}",
        "summary": _group_summary(check),
        "lesson": _told(_lesson(check, EVERYBODY)),
        "has_groups": bool((table["group"] != "").any()),
        "pupils": [_pupil_row(check, row) for row in table.to_dict("records")],
        "motifs": _group_motifs(check),
        "findings": [_finding_row(check, row) for row in wrong.head(SHOWN_FINDINGS).to_dict("records")],
        "notes": _notes(check),
    }


def _twice_words(check: PupilsCheck) -> str:
    """That a game of two pupils is a game of each, so that the table's games add up to more."""
    twice = int(check.by_pupil["games"].sum()) - check.games
    return (
        f"; {counted(twice, 'game')} between two of them {agreeing(twice, 'counts', 'count')} for both"
        if twice
        else ""
    )


def _group_motifs(check: PupilsCheck) -> list[Data]:
    """What the group falls for most, with a position of its own for each motif."""
    if check.motifs is None:
        return []
    told = [one for one in check.motifs.of_group() if one.record.pattern not in NO_STRIKE]
    return [_group_motif(check, one) for one in told[:SHOWN_MOTIFS]]


def _group_motif(check: PupilsCheck, one: GroupRecord) -> Data:
    record, moment = one.record, one.example
    pupils, all_pupils = len(one.fell), len(check.by_pupil)
    in_games = [f"{called(check, pupil)} in {counted(games, 'game')}" for pupil, games in one.fell.items()]
    most = in_games[:SHOWN_WHO]
    more = f", {counted(pupils - len(most), 'other')}" if pupils > len(most) else ""
    return {
        "fen": moment.fen,
        "bottom": str(moment.side),
        "alt": f"Position before {reply_words(moment)}",
        "motif": capital(record.pattern),
        "line": moment_line(moment),
        "opening": opening_words(moment),
        "who": f"{', '.join(most)}{more}",
        "pupils": of_words(pupils, all_pupils),
        "fell": of_words(record.fell, record.games) + _usual(record.usual_fell),
        "found": of_words(record.found, record.chances) + _usual(record.usual_found),
        "costs": two_decimals(record.costs),
    }


def _span(pupils: pd.DataFrame) -> str:
    """The dates of the first and the last of all the games that count, for rows of `by_pupil`."""
    dated = pupils[pupils["first"] != ""]
    return "" if dated.empty else f", from {dated['first'].min()} to {dated['last'].max()}"


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
        f"Together that left {two_decimals(table['lost'].sum())} points on the board, "
        f"{100.0 * table['lost'].sum() / max(1, sums['games']):.1f} for a pupil in 100 games.",
    ]


def _pupil_row(check: PupilsCheck, row: Any) -> Data:
    return {
        "pupil": called(check, row["pupil"]),
        "file": file_of(row["pupil"]),
        "group": row["group"],
        "games": f"{row['games']:,}",
        "usual": f"{row['usual_falls']:.1f}" if row["fell_in"] + row["avoided"] else "–",
        **_rates(row),
        "per_100": f"{max(0.0, row['lost_per_100']):.1f}",
        "since": _since_words(check, row["pupil"]),
    }


def _rates(row: Any) -> Data:
    """How often pupils fell in and punished, and what it cost; of a row of either table of a check."""
    return {
        "fell": of_words(row["fell_in"], row["fell_in"] + row["avoided"]),
        "punished": of_words(row["punished"], row["punished"] + row["missed"]),
        "lost": two_decimals(row["lost"]),
    }


def _since_words(check: PupilsCheck, pupil: str) -> str:
    rows = check.progress[check.progress["pupil"] == pupil]
    verdicts = [(row["skill"], ChangeVerdict(row["verdict"])) for _, row in rows.iterrows()]
    clear = [_SINCE[verdict] for verdict in verdicts if verdict in _SINCE]
    if clear or not verdicts:
        return ", ".join(clear) or str(ChangeVerdict.TOO_LITTLE)
    if len({verdict for _, verdict in verdicts}) == 1:
        return str(verdicts[0][1])
    return ", ".join(f"{_MADE_OR_PUNISHED[skill]}: {verdict}" for skill, verdict in verdicts)


def _finding_row(check: PupilsCheck, row: Any) -> Data:
    """A finding's board before the losing reply, its moves, why it loses, and how the pupils fared."""
    meetings = check.meetings[(check.meetings["key"] == row["key"]) & (check.meetings["move"] == row["move"])]
    finding = check.finding(meetings.iloc[0])
    wrong = meetings[meetings["outcome"].isin([Outcome.FELL_IN, Outcome.MISSED])]
    line = demonstration(finding, _ENGLISH)
    return {
        "fen": finding.fen,
        "bottom": str(finding.mover),
        "alt": f"Position before {line.reply}",
        "opening": opening_words(finding),
        **asdict(line),
        "why": reason_sentence(finding),
        "whom": f"{counted(wrong['pupil'].nunique(), 'pupil')} of {row['pupils']} who met it",
        **_rates(row),
    }


# Progress


def _lesson(check: PupilsCheck, pupil: str) -> Data | None:
    """Both skills before and after the lesson; None without a lesson."""
    if check.lesson is None and not check.lessons.lines:
        return None
    rows = check.progress[check.progress["pupil"] == pupil]
    return {
        "heading": f"Since {_lesson_words(check)}",
        "rows": [_change(row) for _, row in rows.iterrows()],
        "bars": _BARS,
        "who": (
            "Compared are only games of pupils who have some on both sides of the lesson: the table of all "
            "pupils below counts more."
            if pupil == EVERYBODY
            else ""
        ),
        "none": "" if len(rows) else "No position was met on both sides of that day: nothing can be told.",
    }


def _lesson_words(check: PupilsCheck) -> str:
    if check.lesson is not None:
        return f"the lesson on {check.lesson.isoformat()}"
    first, *_ = days = check.lessons.days
    return f"the lesson on {first}" if len(days) == 1 else f"the lessons from {first} to {days[-1]}"


def _change(row: Any) -> Data:
    before, after = row["yes_before"] + row["no_before"], row["yes_after"] + row["no_after"]
    is_known = row["verdict"] != ChangeVerdict.TOO_LITTLE
    return {
        "part": row["skill"],
        "what": "Common mistakes",
        "before": of_words(row["yes_before"], before),
        "after": of_words(row["yes_after"], after),
        "bars": [
            {"when": when, "share": row[f"yes_{when}"] / games}
            for when, games in (("before", before), ("after", after))
            if is_known
        ],
        "verdict": ChangeVerdict(row["verdict"]),
    }


_CLEAR = {
    ChangeVerdict.BETTER: "That is better, and by more than chance usually brings.",
    ChangeVerdict.WORSE: "That is worse, and by more than chance usually brings.",
}
_NOT_CLEAR = {
    ChangeVerdict.UNCLEAR: "No clear change (as much may be chance)",
    ChangeVerdict.TOO_LITTLE: f"Too little to tell (it takes {FEWEST} times on either side)",
}


def change_sentences(rows: Sequence[Data]) -> list[str]:
    """What the counts of the table say: each clear change, then of what none is clear, and of what too little
    is known.
    """
    told = [
        f"{capital(_about(row))}: {row['before']} times before the lesson, {row['after']} times after it. "
        f"{_CLEAR[row['verdict']]}"
        for row in rows
        if row["verdict"] in _CLEAR
    ]
    if told and len(rows) > 1:
        told.append(f"Of {_BY_CHANCE} comparisons 1 may look clear by chance; here are {len(rows)}.")
    for verdict, words in _NOT_CLEAR.items():
        if about := [_about(row) for row in rows if row["verdict"] == verdict]:
            told.append(f"{words}: {', '.join(about)}.")
    return told


def _about(row: Data) -> str:
    """What a row is about, in a sentence: `common mistakes (made)`."""
    what: str = row["what"]
    return f"{what[:1].lower()}{what[1:]} ({_MADE_OR_PUNISHED[row['part']]})"


# One pupil


def pupil_data(check: PupilsCheck, pupil: str, most: int) -> tuple[Data, list[Exercise[Mistake]]]:
    """All that a pupil's page shows, and the exercises on it: about positions, then about motifs."""
    own = records(check, pupil)
    chosen = next_exercises(own, most)
    motifs = check.motifs
    by_motif = motifs.exercises(pupil, most) if motifs else []
    by_motif = [replace(one, number=len(chosen) + one.number) for one in by_motif]
    about = check.by_pupil[check.by_pupil["pupil"] == pupil]
    [row] = about.to_dict("records")
    meetings = check.meetings[check.meetings["pupil"] == pupil]
    several = check.meetings["source"].nunique() > 1
    games = f"{counted(row['games'], 'game')}{_span(about)}"
    return {
        "title": called(check, pupil),
        "subtitle": ", ".join(filter(None, (row["group"], games))),
        "summary": _pupil_summary(row),
        "lesson": _told(_with_motifs(_lesson(check, pupil), check, pupil)),
        "well": _went_well(check, pupil, own),
        "motifs": [_motif_row(motifs, pupil, record) for record in motifs.expensive(pupil)] if motifs else [],
        "motifs_count": _MOTIFS_COUNT,
        "exercises": [
            *(_exercise(exercise, _record_words(record)) for exercise, record in chosen),
            *(_exercise(one, _from_words(motifs, pupil, one.finding)) for one in by_motif if motifs),
        ],
        "wrong": [_wrong(record, meetings, several=several) for record in own if record.wrong],
        "answers": f"{file_of(pupil)}-answers.html",
        "notes": [_GAMES_NOTE, _POINTS_NOTE, _answers_note(check), *([_MOTIFS_NOTE] if motifs else [])],
    }, [*(exercise for exercise, _ in chosen), *by_motif]


def answers_data(pupil: Data) -> Data:
    """The page of answers to the exercises of a pupil's page."""
    exercises = [{name: one[name] for name in ("solution", "why")} for one in pupil["exercises"]]
    return {
        "title": f"Answers: {pupil['title']}",
        "subtitle": pupil["subtitle"],
        "summary": [],
        "lesson": None,
        "exercises": exercises,
    }


def _with_motifs(lesson: Data | None, check: PupilsCheck, pupil: str) -> Data | None:
    """What has changed since a lesson, by motif as well."""
    if lesson is None or check.motifs is None:
        return lesson
    rows = [
        _change(row) | {"what": capital(pattern)}
        for pattern in check.motifs.compared(pupil)
        for _, row in check.motifs.progress(pupil, pattern).iterrows()
    ]
    return lesson | {"rows": [*lesson["rows"], *rows], "none": "" if rows else lesson["none"]}


def _told(lesson: Data | None) -> Data | None:
    """The rows by whether few or many are good, and what they say."""
    if lesson is None:
        return None
    parts = [
        {"heading": heading, "rows": [row for row in lesson["rows"] if row["part"] == part]}
        for part, heading in _PARTS.items()
    ]
    told = change_sentences(lesson["rows"])
    return lesson | {"parts": [part for part in parts if part["rows"]], "told": told}


def _motif_row(check: MotifCheck, pupil: str, record: MotifRecord) -> Data:
    """A motif with what the pupil did, beside what is usual in the bands of these games."""
    several = check.games["source"].nunique() > 1
    newest = [_game_words(row, several) for row in check.newest(pupil, record.pattern, SHOWN_GAMES)]
    return {
        "games": "; ".join(newest),
        "motif": capital(record.pattern),
        "meaning": meaning_words(record.pattern),
        "fell": of_words(record.fell, record.games) + _usual(record.usual_fell),
        "found": of_words(record.found, record.chances) + _usual(record.usual_found),
        "costs": two_decimals(record.costs),
    }


def _usual(number: float | None) -> str:
    return "" if number is None else f" (usual {number:.1f})"


def _from_words(check: MotifCheck, pupil: str, moment: Moment) -> str:
    """From which game an exercise is: one of the pupil's own, or another's."""
    game = check.game_of(pupil, moment)
    if game is None:
        return "From somebody else's game."
    several = check.games["source"].nunique() > 1
    return f"From your own {_game_words(game, several)}."


def _pupil_summary(row: Any) -> list[str]:
    asked, faced = row["fell_in"] + row["avoided"], row["punished"] + row["missed"]
    if not asked + faced:
        return ["In these games none of the positions came up where it was up to you."]
    sentences = []
    if asked:
        usual = row["usual_falls"]
        made = f"made it {times_words(row['fell_in'])}" if row["fell_in"] else "never did"
        sentences.append(
            f"You could have made one of the common mistakes {times_words(asked)}, and "
            f"{made}; players of your rating make it "
            f"there {f'about {times_words(round(usual))}' if usual >= 0.5 else 'hardly ever'}."
        )
    if faced:
        punished = f"you punished {row['punished']} of them"
        sentences.append(f"Your opponents made {counted(faced, 'such mistake')}, and {punished}.")
    lost = two_decimals(row["lost"])
    cost = f"In these known positions that cost about {lost} points, as players of your rating go on there."
    return [*sentences, cost if row["lost"] > 0.0 else "That cost you nothing."]


def _went_well(check: PupilsCheck, pupil: str, own: Sequence[Record]) -> list[Data]:
    """Mistakes of opponents that were punished, motifs found, and mistakes avoided that others make: what the
    pupil did right at least as often as is usual, the rarest things first.
    """
    punished = [one for one in own if one.finding.kind is Kind.TRAP and one.right]
    overcome = [one for one in own if one.wrong and one.is_mastered and one.finding.kind is Kind.PITFALL]
    punished.sort(key=lambda record: (-record.right, -record.finding.gain_for_band))
    told = [_well(record) for record in (*punished, *overcome)]
    told += [_well_avoided(record) for record in own if _is_avoided_well(record)]
    if check.motifs:
        costly = {one.pattern for one in check.motifs.expensive(pupil)}
        records = [one for one in check.motifs.records(pupil) if one.pattern not in costly]
        found = [one for one in records if _is_found_well(one)]
        told += [_well_found(one) for one in sorted(found, key=lambda one: (-one.found, one.pattern))]
        told += [_well_steady(one) for one in check.motifs.steady(pupil)]
    return told[:SHOWN_WELL]


def _is_found_well(record: MotifRecord) -> bool:
    """Whether a motif was found as often as is usual, in chances enough to tell."""
    usual = record.usual_found
    return record.chances >= FEWEST and usual is not None and record.found >= usual


def _is_avoided_well(record: Record) -> bool:
    """Whether a pupil never made a mistake where players of his rating would have made it, often enough."""
    never = record.finding.kind is Kind.PITFALL and not record.wrong
    often = record.right >= AVOIDED_OFTEN
    return never and often and record.right * record.finding.pick_rate >= FALLS_SPARED


def _well(record: Record) -> Data:
    times = f"{record.right} of {len(record.outcomes)} times" if record.wrong else times_words(record.right)
    return _praise(record, f"{_right(record)} {times}")


def _well_avoided(record: Record) -> Data:
    usual = f"players of your rating make it there in {record.finding.pick_rate:.0%} of their games"
    return _praise(record, f"avoided {times_words(record.right)}, each time; {usual}")


def _praise(record: Record, times: str) -> Data:
    finding = record.finding
    return {"what": reply_words(finding), "where": f" ({opening_words(finding)})", "times": times}


def _well_found(record: MotifRecord) -> Data:
    times = f"found {record.found:,} of {counted(record.chances, 'time')}"
    return {"what": capital(record.pattern), "where": "", "times": times + _usual(record.usual_found)}


def _well_steady(record: MotifRecord) -> Data:
    times = f"never fell for it in {counted(record.games, 'game')}"
    return {"what": capital(record.pattern), "where": "", "times": times + _usual(record.usual_fell)}


def _right(record: Record) -> str:
    return "punished" if record.finding.kind is Kind.TRAP else "avoided"


def _exercise(exercise: Exercise[Mistake], because: str) -> Data:
    return {
        "number": exercise.number,
        "fen": exercise.board.fen(),
        "bottom": str(exercise.taught),
        "alt": f"Exercise {exercise.number}: {exercise.board.fen()}",
        "opening": opening_words(exercise.finding),
        "to_move": to_move_words(exercise, _ENGLISH),
        "task": task_words(exercise, _ENGLISH),
        "because": because,
        "solution": solution_words(exercise, _ENGLISH),
        "why": why_words(exercise, _ENGLISH),
    }


def _record_words(record: Record) -> str:
    if not record.wrong:
        return f"{_right(record).capitalize()} so far, but met only once."
    wrong = "Not punished" if record.finding.kind is Kind.TRAP else "Fell in"
    last = f", last on {record.last_wrong}" if record.last_wrong[:4].isdigit() else ""
    cost = f"; {two_decimals(record.lost)} points" if record.lost > 0.0 else ""
    since = " Right since then." if record.is_mastered else ""
    return f"{wrong} {record.wrong} of {counted(len(record.outcomes), 'time')}{last}{cost}.{since}"


def _wrong(record: Record, meetings: pd.DataFrame, *, several: bool) -> Data:
    finding = record.finding
    is_trap = finding.kind is Kind.TRAP
    there = meetings[
        (meetings["key"] == finding.key)
        & (meetings["losing_reply"] == finding.losing_reply)
        & (meetings["outcome"] == (Outcome.MISSED if is_trap else Outcome.FELL_IN))
    ].sort_values(["date", "source", "number"], ascending=False)
    games = [_game_words(row, several) for row in there.head(SHOWN_GAMES).to_dict("records")]
    more = f" and {len(there) - len(games)} more" if len(there) > len(games) else ""
    return {
        "what": f"answered {reply_words(finding)} with {_answers_words(there, finding)}"
        if is_trap
        else f"played {reply_words(finding)}",
        "opening": opening_words(finding),
        "times": of_words(record.wrong, len(record.outcomes)),
        "lost": two_decimals(record.lost) if record.lost > 0.0 else "?",
        "games": "; ".join(games) + more,
    }


def _answers_words(meetings: pd.DataFrame, finding: Finding) -> str:
    """The first few different answers to a losing reply as alternatives, e.g. `6.Qd3, e4 or Nxd5`.

    Of one that keeps half of the gain or more that is said: it is no plain failure.
    """
    answers = meetings.drop_duplicates("played").head(SHOWN_GAMES)
    played = list(answers["played"])
    sans = [numbered_sans(played[:1], finding.ply + 1), *played[1:]]
    kept_half = answers["kept"] >= HALF_KEPT
    *commas, last = [
        f"{san} (which keeps at least half of the gain)" if is_half else san
        for san, is_half in zip(sans, kept_half, strict=True)
    ]
    return f"{', '.join(commas)} or {last}" if commas else last


def _game_words(row: Any, several: bool) -> str:
    """A game so that it can be found again: its number, whose pieces the pupil had, and when it was."""
    file = f"file {row['source']}, " if several else ""
    day = f", {row['date']}" if row["date"][:4].isdigit() else ""
    return f"{file}game {row['number']} ({str(row['side']).capitalize()}{day})"


# What it rests on


def _notes(check: PupilsCheck) -> list[str]:
    """The games that were looked at or set aside, and how the numbers were reckoned."""
    broken = sum(check.ledger[state] for state in KEPT[1:])
    lines = [_ledger_words(check)]
    if broken:
        up_to = "up to a move that is not legal or a bracket never closed"
        lines.append(f"{counted(broken, 'game')} {agreeing(broken, 'counts', 'count')} {up_to}.")
    if number := check.without_pupils:
        count = agreeing(number, "does", "do")
        lines.append(f"{counted(number, 'game')} {count} not count: none of the pupils played in them.")
    if number := check.too_early:
        lie, have = agreeing(number, "lies", "lie"), agreeing(number, "has", "have")
        early = f"{counted(number, 'game')} of pupils {lie} before the day from which theirs count"
        lines.append(f"{early}, or {have} no date.")
    if number := len(check.absent):
        lines.append(
            f"{counted(number, 'player')} of the list {agreeing(number, 'has', 'have')} no game here: "
            f"number {', '.join(map(str, check.absent))} of the list."
        )
    if check.meetings["source"].nunique() > 1:
        names = [PurePath(name).name for name in check.sources]
        named = "; ".join(f"file {number} is {plain(name)}" for number, name in enumerate(names, 1))
        lines.append(
            f"Files are numbered in the order in which they were read{': ' if named else ''}{named}."
        )
    lines += [_POSITIONS_NOTE, _POINTS_NOTE, _answers_note(check)]
    if check.motifs:
        lines.append(_MOTIFS_NOTE)
    if len(check.index.sides) == 1:
        [side] = check.index.sides
        lines.append(f"The store holds findings for {side.capitalize()}'s pupils only.")
    if check.lesson or check.lessons.lines:
        lines.append(_PROGRESS_NOTE.format(by_chance=_BY_CHANCE))
    return lines


def _ledger_words(check: PupilsCheck) -> str:
    kept = sum(check.ledger[state] for state in KEPT)
    aside = [
        (-count, state) for state, count in check.ledger.items() if count and not state.startswith("kept")
    ]
    states = ", ".join(f"{-count:,} {state}" for count, state in sorted(aside))
    seen = counted(check.ledger.total(), "game")
    return f"{seen} seen, {kept:,} looked at; set aside: {states or 'none'}."


def _answers_note(check: PupilsCheck) -> str:
    if not check.index.kept:
        return (
            "A mistake counts as punished if the answer is the best one. The store does not say how good "
            "other answers are (`miner follow` finds out): they count as missed, and cost nothing here."
        )
    missed = check.meetings[check.meetings["outcome"] == Outcome.MISSED]
    guessed = int((missed["basis"] == "refutation").sum())
    unknown = (
        f" {counted(guessed, 'answer')} that the store does not know {agreeing(guessed, 'counts', 'count')} "
        f"as missed, and {agreeing(guessed, 'costs', 'cost')} nothing here."
        if guessed
        else ""
    )
    return f"A mistake is punished if the answer keeps at least three quarters of the gain.{unknown}"
