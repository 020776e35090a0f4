"""What of a store a file holds, and in which format: both by the file's name."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from miner.errors import UsageError
from miner.export.formats import FORMATS, check_suffix, check_targets, write_file
from miner.export.moments import MOMENT_FORMATS
from miner.export.scanned import TABLE_FORMATS, example_moments, moments_of, motifs_of
from miner.export.unplayed import unplayed_of
from miner.finding.words import counted
from miner.rank.asked import asked_findings
from miner.store import Store

FINDINGS, BY_BAND = "findings", "bands"
"""The list, and how a file is called that has a row for each mistake and band."""
LISTS: Mapping[str, Mapping[str, Callable[[Any], bytes]]] = {
    FINDINGS: FORMATS,
    BY_BAND: FORMATS,
    "motifs": TABLE_FORMATS,
    "moments": {**TABLE_FORMATS, **MOMENT_FORMATS},
    "unplayed": TABLE_FORMATS,
}
"""The formats of each list, by their suffixes. A file that is called otherwise holds findings."""
_ONE = {
    FINDINGS: "finding",
    BY_BAND: "finding",
    "motifs": "motif",
    "moments": "moment",
    "unplayed": "unplayed mistake",
}
"""How one row of each list is called."""
_WITHOUT_SIGNS = (".csv", ".parquet", ".json", ".xlsx")  # formats that put no "?" to a move


class Written(NamedTuple):
    """A file that was written."""

    file: Path
    rows: int
    of: str  # one of which, such as finding or motif

    @property
    def words(self) -> str:
        """How many of what, such as `1 finding`."""
        return counted(self.rows, self.of)


def export_lists(store: Store, targets: Sequence[Path], *, missed: bool = False) -> list[Written]:
    """Write what each file's name says in the format of its suffix; all are checked before the first.

    `missed`: missed chances in place of findings.
    Raises UsageError for a target that the store was read from and for missed chances in a format with signs,
    what `check_targets` does, and StoreError for what was not made yet.
    """
    if missed and (signs := [file for file in targets if file.suffix.lower() not in _WITHOUT_SIGNS]):
        raise UsageError(
            f"{signs[0]}: missed chances have no sign of a mistake", advice="write them to a .csv or .parquet"
        )
    spare_sources(store, targets)
    for file in targets:
        check_suffix(file, LISTS[list_of(file)])
    for file in targets:
        check_targets([file], LISTS[list_of(file)])
    made = []
    rows: dict[tuple[str, bool], Any] = {}
    for file in targets:
        name, suffix = list_of(file), file.suffix.lower()
        key = name, suffix in MOMENT_FORMATS
        if key not in rows:
            rows[key] = rows_of_list(store, name, suffix, missed=missed)
        of = "missed chance" if missed and name == FINDINGS else _ONE[name]
        made.append((Written(file, len(rows[key]), of), LISTS[name][suffix](rows[key])))
    for written, contents in made:
        write_file(written.file, contents)
    return [written for written, _ in made]


def list_bytes(store: Store, name: str, suffix: str, *, missed: bool = False) -> bytes:
    """What a file of that name and suffix would hold.

    Raises UsageError for a list or format that there is not, StoreError for what was not made yet.
    """
    for what, given, known in (("list", name, LISTS), ("format", suffix, LISTS.get(name, {}))):
        if given not in known:
            raise UsageError(
                f"there is no {what} {given.removeprefix('.')!r}",
                advice=f"take one of {', '.join(one.removeprefix('.') for one in known)}",
            )
    if missed and name != FINDINGS:
        raise UsageError(f"missed chances are no {name}", advice=f"take the list {FINDINGS}")
    if missed and suffix not in _WITHOUT_SIGNS:
        raise UsageError("missed chances have no sign of a mistake", advice="take csv or json")
    return LISTS[name][suffix](rows_of_list(store, name, suffix, missed=missed))


def list_of(file: Path) -> str:
    """The list that a file of this name holds."""
    return file.stem.lower() if file.stem.lower() in LISTS else FINDINGS


def rows_of_list(store: Store, name: str, suffix: str, *, missed: bool = False) -> Any:
    """What the functions of `LISTS` take: a table, or for games and positions of moments a list of them."""
    if name == FINDINGS:
        return asked_findings(store, missed=missed)
    if name == BY_BAND:
        return store.read_table("by_band")
    if name == "motifs":
        return motifs_of(store)
    if name == "unplayed":
        return unplayed_of(store)
    return example_moments(store) if suffix in MOMENT_FORMATS else moments_of(store)


def spare_sources(store: Store, targets: Sequence[Path]) -> None:
    """Raise UsageError for a target that is one of the files that the store was read from."""
    sources = {source["place"] for source in store.require("read").facts["sources"]}
    for target in targets:
        if str(target.resolve()) in sources:
            raise UsageError(
                f"{target}: the store was read from this file, which would be lost",
                advice="name another file",
            )
