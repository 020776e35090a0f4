"""The report: one page of HTML that stands alone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from miner.draw import documents
from miner.draw.diagram import diagram_svg
from miner.draw.documents import json_in_html, package_text
from miner.errors import Place, UsageError
from miner.export.formats import write_file
from miner.finding.aftermath import Row, by_reply, leaks, rows_by_reply
from miner.finding.finding import Finding, findings_of
from miner.finding.mistake import Reply
from miner.finding.motifs import group_of, read_motifs
from miner.finding.things import Thing, first_things, things_heading
from miner.finding.through import Through
from miner.finding.words import reply_words
from miner.report.contents import CommentsOn, Details, contents
from miner.report.motifs import Scanned
from miner.report.opening_map import RepliesByPosition
from miner.report.summary import mined
from miner.store import STAGES, Store

SCRIPTS = ("list.js", "finding.js", "motifs.js", "map.js", "page.js")
"""The page's own scripts in the order in which they run, behind those that pages share."""
TITLE = "Opening mistakes and what they are worth"


def page_bytes(title: str, contents: dict[str, Any], things: Sequence[Thing] = ()) -> bytes:
    """The whole page in UTF-8; the same contents give the same bytes. `things` stand at its top.

    Its content security policy allows its own scripts and style, each by its SHA-256, and nothing else.
    """
    first = {"heading": things_heading(things), "list": list(map(_told, things))} if things else None
    data = {"title": title, "contents": json_in_html(contents), "first": first}
    scripts = [package_text("miner.report", name) for name in SCRIPTS]
    return documents.page_bytes("report/page.html", data, package_text("miner.report", "page.css"), scripts)


def _told(thing: Thing) -> dict[str, str]:
    """One thing with its board, and where the page has more of it."""
    mistake = thing.mistake
    label = f"Diagram before {reply_words(mistake)}"
    finding_id = f"{mistake.key:016x}-{mistake.losing_reply_uci}-{mistake.band}-{mistake.kind}"
    return {
        "svg": diagram_svg(mistake.board, orientation=thing.bottom.color, coordinates=False, label=label),
        "name": thing.name,
        "opening": thing.opening,
        "line": thing.line,
        "why": thing.why,
        "view": "motif" if thing.count else "finding",
        "id": thing.count.motif if thing.count else finding_id,
    }


def report(store: Store, out: Path, comments: CommentsOn | None = None) -> int:
    """Write the findings of a store as one page of HTML; gives the number of bytes.

    `comments` stand beside the moves of the model games that they are of.
    The file is whole or not there; the same store and comments give the same bytes. Missing folders are made.
    Raises StoreError if nothing was ranked yet, UsageError for a target that is no .html, ExportError for one
    that cannot be written.
    """
    check_page(out)
    page = page_bytes(TITLE, _contents(store, comments or {}), _first_things(store))
    write_file(out, page)
    return len(page)


def check_page(out: Path) -> None:
    """Raise UsageError for a target that is no .html."""
    if out.suffix.lower() not in (".html", ".htm"):
        raise UsageError("a report is a page of HTML", where=Place(str(out)), advice="end the name in .html")


def _contents(store: Store, comments: CommentsOn) -> dict[str, Any]:
    store.require("rank")
    findings = findings_of(store.read_table("findings"))
    wanted = {finding.reply for finding in findings}
    replies = store.read_table("replies")
    present = {*replies["band"].unique().to_pylist(), *(finding.band for finding in findings)}
    bands = [band for band in store.bands.names if band in present]
    dates = pc.unique(store.read_table("games", ["date"])["date"]).to_pylist()
    manifests = {stage: store.manifest(stage) for stage in STAGES}
    scanned = _scanned(store)
    details = Details(
        picks=by_reply(replies, wanted),
        answers=_first_answers(store, wanted),
        models=rows_by_reply(store, "model_games", wanted),
        comments=comments,
        leaks=_leaks(store, wanted),
        plans=rows_by_reply(store, "plans", wanted),
        seasons=rows_by_reply(store, "seasons", wanted),
        motifs=_brought(scanned, findings) if scanned else {},
    )
    mined_from = mined(manifests, dates, findings) | {"stale": bool(store.out_of_date())}
    by_band = findings_of(store.read_table("by_band"))
    own_replies = RepliesByPosition(replies, bands)
    return contents(findings, by_band, details, own_replies, bands, mined_from, scanned)


def _first_things(store: Store) -> list[Thing]:
    settings = store.require("rank").settings
    findings = findings_of(store.read_table("findings"))
    band, side = group_of(settings.get("bands", ())), settings.get("side", "both")
    return first_things(findings, read_motifs(store), band, side)


def _scanned(store: Store) -> Scanned | None:
    """What the scan found; None: nothing was scanned, or no motif is told."""
    motifs = read_motifs(store)
    if motifs is None or not motifs.counts:
        return None
    played = store.read_table("scanned").to_pandas()
    return Scanned(motifs, played, Through(motifs, motifs.topics(), played))


def _brought(scanned: Scanned, findings: Sequence[Finding]) -> dict[int, str]:
    """Which motifs the scanned games through the positions of findings bring, in words."""
    return {finding.key: scanned.through.sentence_at(finding.key) for finding in findings}


def _leaks(store: Store, wanted: set[Reply]) -> dict[Reply, list[Row]]:
    """Where players of any band give the gain away again, worst first; none if that was not followed."""
    if not all(store.path(table).exists() for table in ("followed", "answers", "judged")):
        return {}
    return by_reply(pa.Table.from_pandas(leaks(store)), wanted)


def _first_answers(store: Store, wanted: set[Reply]) -> dict[Reply, list[Row]]:
    answers = rows_by_reply(store, "answers", wanted)
    first: dict[Reply, list[Row]] = {}
    for reply, rows in rows_by_reply(store, "followed", wanted).items():
        games: Counter[tuple[int, int]] = Counter()
        for row in answers.get(reply, ()):
            games[row["at"], row["answer"]] += row["games"]
        first[reply] = [
            {**row, "games": games[row["at"], row["answer"]]} for row in rows if row["plies"] == 0
        ]
    return first
