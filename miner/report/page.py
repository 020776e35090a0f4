"""The report: one page of HTML that stands alone."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from miner.draw import webpage
from miner.draw.webpage import package_text
from miner.errors import ExportError, Place
from miner.export.formats import write_file
from miner.finding import aftermath
from miner.finding.finding import Reply, findings_of
from miner.report.contents import contents
from miner.report.mistakes import Details
from miner.report.opening_map import Replies
from miner.report.summary import mined
from miner.store import STAGES, Store
from miner.terms import BandScheme

SCRIPTS = ("board.js", "text.js", "list.js", "finding.js", "map.js", "page.js")
"""The page's scripts in the order in which they run."""


def page_bytes(title: str, contents: dict[str, Any]) -> bytes:
    """The whole page in UTF-8; the same contents give the same bytes.

    Its content security policy allows its own scripts and style, each by its SHA-256, and nothing else.
    """
    data = {"title": title, "contents": json_in_html(contents)}
    scripts = [package_text("miner.report", name) for name in SCRIPTS]
    return webpage.page_bytes("report/page.html", data, package_text("miner.report", "page.css"), scripts)


def json_in_html(value: Any) -> str:
    r"""JSON that may stand in a script element: nothing in it can end the element or begin a comment.

    >>> json_in_html({"name": "</script>"})
    '{"name":"\\u003c/script\\u003e"}'
    """
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for char in "<>&\u2028\u2029":
        text = text.replace(char, f"\\u{ord(char):04x}")
    # A lone surrogate has no UTF-8.
    return re.sub(r"[\ud800-\udfff]", lambda found: f"\\u{ord(found[0]):04x}", text)


TITLE = "Opening mistakes and what they are worth"


def report(store: Store, out: Path) -> int:
    """Write the findings of a store as one page of HTML; gives the number of bytes.

    The file is whole or not there; the same store gives the same bytes. Missing folders are made.
    Raises StoreError if nothing was ranked yet, ExportError for a target that is no .html or cannot be
    written.
    """
    if out.suffix.lower() not in (".html", ".htm"):
        raise ExportError("a report is a page of HTML", where=Place(str(out)), advice="end the name in .html")
    page = page_bytes(TITLE, _contents(store))
    write_file(out, page)
    return len(page)


def _contents(store: Store) -> dict[str, Any]:
    store.require("rank")
    findings = findings_of(store.read_table("findings"))
    wanted = {one.reply for one in findings}
    bands = BandScheme(tuple(store.require("tally").settings["band_edges"])).names
    replies = store.read_table("replies")
    present = set(replies["band"].unique().to_pylist()) | {one.band for one in findings}
    bands = tuple(band for band in bands if band in present)
    dates = pc.unique(store.read_table("games", ["date"])["date"]).to_pylist()
    manifests = {stage: store.manifest(stage) for stage in STAGES}
    return contents(
        findings,
        _details(store, replies, wanted),
        Replies(replies, bands),
        bands,
        mined(manifests, dates, findings) | {"stale": bool(store.out_of_date())},
    )


def _details(store: Store, replies: pa.Table, wanted: set[Reply]) -> Details:
    return Details(
        picks=_by_reply(_about(replies, wanted).to_pylist(), wanted),
        answers=_by_reply(_first_answers(store, wanted), wanted),
        models=_by_reply(_rows(store, "model_games", wanted), wanted),
        leaks=_by_reply(_leaks(store), wanted),
        plans=_by_reply(_rows(store, "plans", wanted), wanted),
        seasons=_by_reply(_rows(store, "seasons", wanted), wanted),
    )


def _rows(store: Store, table: str, wanted: set[Reply]) -> list[dict[str, Any]]:
    """The rows about the wanted replies; none if the table was not written."""
    if not store.path(table).exists():
        return []
    rows: list[dict[str, Any]] = _about(store.read_table(table), wanted).to_pylist()
    return rows


def _leaks(store: Store) -> list[dict[str, Any]]:
    """Where players of any band give the gain away again, worst first; none if that was not followed."""
    if not all(store.path(table).exists() for table in ("followed", "answers", "judged")):
        return []
    found = aftermath.leaks(store)
    return [dict(zip(found.columns, row, strict=True)) for row in found.itertuples(index=False, name=None)]


def _about(table: pa.Table, wanted: set[Reply]) -> pa.Table:
    """The rows at positions of the wanted replies."""
    keys = pa.array(sorted({key for key, _ in wanted}), type=pa.uint64())
    return table.filter(pc.is_in(table["key"], value_set=keys))


def _by_reply(rows: Iterable[dict[str, Any]], wanted: set[Reply]) -> dict[Reply, list[dict[str, Any]]]:
    found: dict[Reply, list[dict[str, Any]]] = {}
    for row in rows:
        reply = (row["key"], row["move"])
        if reply in wanted:
            found.setdefault(reply, []).append(row)
    return found


def _first_answers(store: Store, wanted: set[Reply]) -> list[dict[str, Any]]:
    """What was played right after each losing reply, with the games of all bands."""
    games: dict[tuple[int, int, int, int], int] = {}
    for row in _rows(store, "answers", wanted):
        played = (row["key"], row["move"], row["at"], row["answer"])
        games[played] = games.get(played, 0) + row["games"]
    return [
        row | {"games": games.get((row["key"], row["move"], row["at"], row["answer"]), 0)}
        for row in _rows(store, "followed", wanted)
        if row["plies"] == 0
    ]
