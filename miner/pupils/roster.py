"""The players whose games count, and their pseudonyms."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Literal

from miner.errors import Place, SourceError, StoreError, UsageError
from miner.finding.words import counted, plain
from miner.pgn.tags import Players
from miner.store import Store
from miner.store.numbers import PupilNumbers

NAME_LENGTH, GROUP_LENGTH = 60, 30

_COLUMNS = ("name", "group", "since")
_DAY = re.compile(r"(\d{4})(?:\.(\d{1,2}|\?\?)(?:\.(\d{1,2}|\?\?))?)?", re.ASCII)
_LIMIT = re.compile(r"\d{4}(\.\d{2}(\.\d{2})?)?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Member:
    """A player whose games count."""

    name: str
    group: str = ""
    since: str = ""  # only games from this date on, YYYY.MM.DD, YYYY.MM or YYYY; empty: all


def read_roster(path: Path) -> list[Member]:
    """The players of a file: one name a line, or a table with the columns name, group and since.

    It is a table if its first line names the column `name`; columns are parted by commas or semicolons, and a
    name that holds one stands in quotation marks. UTF-8. No message holds a name.
    Raises SourceError for a file that cannot be read, UsageError for what it holds.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise SourceError(
            f"cannot be read: {error.strerror or error}", where=Place(str(path)), advice="check the name"
        ) from error
    except UnicodeDecodeError as error:
        raise SourceError("is not UTF-8", where=Place(str(path)), advice="save it as UTF-8") from error
    lines = text.splitlines()
    header = lines[0] if lines else ""
    comma = ";" if ";" in header else ","
    columns = [name.strip().strip('"').lower() for name in header.split(comma)]
    if "name" in columns and set(columns) <= set(_COLUMNS):
        members = _table(text, columns, comma, path)
    else:
        members = [Member(line.strip()) for line in lines if line.strip()]
    if not members:
        raise UsageError(
            "the list of players is empty", where=Place(str(path)), advice="write one name a line"
        )
    return members


def _table(text: str, columns: Sequence[str], comma: str, path: Path) -> list[Member]:
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=comma)
    next(rows)
    members = []
    for row in rows:
        cells = [cell.strip() for cell in row]
        if not any(cells):
            continue
        where = Place(str(path), line=rows.line_num)
        if len(cells) > len(columns):
            raise UsageError(
                "there are more cells than columns",
                where=where,
                advice='put a name that holds a comma in quotation marks: "Family, First"',
            )
        entry = dict(zip(columns, cells, strict=False))
        since = entry.get("since", "").replace("-", ".")
        if since and not is_day(since):
            raise UsageError("`since` is no date", where=where, advice="write 2024, 2024-09 or 2024-09-15")
        if entry.get("name"):
            members.append(Member(entry["name"], entry.get("group", ""), since))
    return members


@dataclass(frozen=True, kw_only=True, slots=True)
class Roster:
    """Members by the hash of their names; without members, everybody counts."""

    salt: bytes
    members: Mapping[str, Member]
    everybody: bool
    since: str = ""  # for those of whom the list says nothing else

    @classmethod
    def of(cls, salt: bytes, players: Iterable[Member | str] | None, since: str = "") -> Roster:
        """The roster of some players (a name that is given again counts where it comes first), or of all."""
        hashes = Players(salt, "hash")
        by_hash: dict[str, Member] = {}
        for player in players or ():
            member = Member(player) if isinstance(player, str) else player
            shown = hashes.player(member.name).shown
            if shown:
                by_hash.setdefault(shown, replace(member, group=plain(member.group, GROUP_LENGTH)))
        return cls(salt=salt, members=by_hash, everybody=players is None, since=since)

    def counts(self, player: str) -> bool:
        """Whether the games of the player with this hash count."""
        return bool(player) and (self.everybody or player in self.members)

    def first_day(self, player: str) -> str:
        """The date from which a player's games count; empty: all."""
        return self.member(player).since or self.since

    def member(self, player: str) -> Member:
        """The player's entry in the list; an empty one where there is none."""
        return self.members.get(player, Member(""))


def pseudonyms(store: Store, players: Iterable[str]) -> dict[str, str]:
    """Pseudonyms such as `Pupil 4172` for the players with these hashes, by the numbers that the store keeps.

    Raises StoreError if there are newcomers and the store cannot be written to: their numbers would not stay.
    """
    wanted = set(players)
    numbers = PupilNumbers.of(store)
    if newcomers := wanted - numbers.given.keys():
        try:
            with store.writing():
                numbers = PupilNumbers.of(store).with_newcomers(newcomers)  # which may have changed until now
                numbers.write(store.root)
        except StoreError as error:
            whom = counted(len(newcomers), "new pupil")
            what = f"no number can be kept for {whom}: {error.what}"
            raise StoreError(what, where=error.where, advice=error.advice) from error
    return {player: f"Pupil {numbers.given[player]}" for player in sorted(wanted)}


Period = Literal["before", "after", ""]


def is_day(text: str) -> bool:
    """Whether a text is YYYY, YYYY.MM or YYYY.MM.DD."""
    return bool(_LIMIT.fullmatch(text))


def period_of(day: str, lesson: date) -> Period:
    """Whether a Date tag lies before the day of a lesson or after it.

    Empty for that day itself, since nobody knows which came first, and where the tag leaves it open.

    >>> [period_of(day, date(2025, 1, 20)) for day in ("2025.01.19", "2025.02.??", "2025.01.??")]
    ['before', 'after', '']
    """
    found = _DAY.fullmatch(day)
    if not found:
        return ""
    parts = tuple(int(part) for part in found.groups() if part and part.isdigit())
    limit = (lesson.year, lesson.month, lesson.day)[: len(parts)]
    if parts == limit:
        return ""
    return "before" if parts < limit else "after"
