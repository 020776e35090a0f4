"""What each group was taught, and when: a small table that a coach may read and correct."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from miner.errors import Place, SourceError, UsageError
from miner.export.lists import defused
from miner.finding.finding import Finding
from miner.finding.words import opening_words, plain
from miner.store import Store
from miner.store.change import replacing
from miner.store.places import Location

TAUGHT_FILE = "taught.csv"
"""The table's usual name, in the store."""
COLUMNS = ("date", "group", "what")
_POSITION = re.compile(r"(?P<key>[0-9a-fA-F]{16})(?: (?P<reply>[^ (]+))?(?: .*)?", re.ASCII)
_ADVICE = "write lines such as 2025-09-16,Juniors,pin: see the first lines that `miner lesson` wrote"


@dataclass(frozen=True, slots=True)
class Line:
    """One topic, a motif or a position, that a group was taught on a day.

    `what` is a motif's name, or a position's key as in the CSV with, if not all of the position is meant, the
    losing reply behind it; what follows in brackets is for the reader.
    """

    day: date
    group: str
    what: str

    @property
    def key(self) -> int | None:
        """The position's key; None: it is a motif."""
        found = _POSITION.fullmatch(self.what)
        return int(found["key"], 16) if found else None

    def is_about(self, key: int, losing_reply: str) -> bool:
        """Whether it is about a position, and about a losing reply there (SAN) if it names one."""
        found = _POSITION.fullmatch(self.what)
        return bool(found and self.key == key and found["reply"] in (None, losing_reply))


def position_words(finding: Finding) -> str:
    """A position and its losing reply as a line of the table tells them."""
    return f"{finding.key:016x} {finding.losing_reply} ({plain(opening_words(finding), 60)})"


@dataclass(frozen=True, slots=True)
class TaughtTable:
    """The lines of such a table, in its order."""

    lines: tuple[Line, ...] = ()

    @classmethod
    def read(cls, file: Location) -> TaughtTable:
        """The table of a file; empty if there is none.

        UTF-8, with the columns date, group and what, parted by commas or semicolons, dates as 2025-09-16.
        Raises SourceError for a file that cannot be read, UsageError for a line that says something else.
        """
        try:
            text = file.read_bytes().decode("utf-8-sig")
        except FileNotFoundError:
            return cls()
        except (OSError, UnicodeDecodeError) as error:
            raise SourceError(
                "the table of what was taught cannot be read",
                where=Place(str(file)),
                advice="save it as UTF-8",
            ) from error
        header = text.partition("\n")[0]
        rows = csv.reader(io.StringIO(text, newline=""), delimiter=";" if ";" in header else ",")
        first = [cell.strip().lower() for cell in next(rows, [])]
        if first and tuple(first) != COLUMNS:
            raise UsageError(
                f"the first line does not name the columns {', '.join(COLUMNS)}",
                where=Place(str(file), line=1),
                advice=_ADVICE,
            )
        return cls(tuple(_line(row, Place(str(file), line=rows.line_num)) for row in rows if any(row)))

    def write(self, file: Location) -> None:
        """Write the table, whole or not at all."""
        text = io.StringIO(newline="")
        table = csv.writer(text, lineterminator="\r\n")
        table.writerow(COLUMNS)
        for line in self.lines:
            table.writerow([line.day.isoformat(), defused(line.group), line.what])
        with replacing(file) as unfinished:
            unfinished.write_bytes(text.getvalue().encode("utf-8", "replace"))

    def of_group(self, group: str) -> TaughtTable:
        """What a group was taught; lines without a group are every group's."""
        return TaughtTable(tuple(line for line in self.lines if line.group in ("", group)))

    def before(self, day: date) -> TaughtTable:
        """What was taught before a day."""
        return TaughtTable(tuple(line for line in self.lines if line.day < day))

    def day_of(self, group: str, key: int, losing_reply: str) -> date | None:
        """The first day on which a group was taught a losing reply; None: it was not."""
        own = self.of_group(group).lines
        return min((line.day for line in own if line.is_about(key, losing_reply)), default=None)

    def day_of_pattern(self, group: str, pattern: str) -> date | None:
        """The first day on which a group was taught a motif of a pattern; None: it was not."""
        motifs = [line for line in self.of_group(group).lines if line.key is None]
        days = (line.day for line in motifs if line.what.partition(":")[0] == pattern)
        return min(days, default=None)

    @property
    def days(self) -> tuple[date, ...]:
        """The days on which anything was taught, the first one first."""
        return tuple(sorted({line.day for line in self.lines}))

    @property
    def motifs(self) -> frozenset[str]:
        """The names of the motifs."""
        return frozenset(line.what for line in self.lines if line.key is None)

    def holds(self, finding: Finding) -> bool:
        """Whether a finding was taught."""
        return any(line.is_about(finding.key, finding.losing_reply) for line in self.lines)

    def with_lessons(
        self, group: str, lessons: Iterable[Line], since: date, until: date | None
    ) -> TaughtTable:
        """With these lessons in place of what the group's lines say of the days from `since` to `until`.

        So the same call, made again, changes nothing. `until` None: all days from then on.
        """
        kept = [
            line
            for line in self.lines
            if line.group != group or line.day < since or (until is not None and line.day > until)
        ]
        return TaughtTable(tuple(sorted([*kept, *lessons], key=lambda line: (line.day, line.group))))


NOTHING_TAUGHT = TaughtTable()


def _line(row: list[str], where: Place) -> Line:
    cells = [cell.strip().removeprefix("'") for cell in row]
    try:
        day, group, what = cells
        return Line(date.fromisoformat(day), group, what)
    except ValueError as error:
        raise UsageError("no date, group and topic", where=where, advice=_ADVICE) from error


def taught_file(store: Store, named: Location | None) -> Location:
    """The file of the table: the one that was named, or the store's own."""
    return named or store.root / TAUGHT_FILE
