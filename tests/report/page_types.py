"""`python -m tests.report.page_types FILE`: what Python tells the page's scripts, for their type checker.

FILE gets the type `Told`, the columns of a finding with the types of the schema, and the contents of a
page as an example of the type `Contents`, which a comment in page.js declares; likewise of the practice
page's, declared in practice.js.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path
from typing import Any

import pyarrow as pa

from miner.lesson.exercises import choose
from miner.lesson.phrases import ENGLISH, PHRASES, Tongue
from miner.lesson.practice import practice_contents
from miner.report import report
from miner.report.contents import FINDING_COLUMNS, WORDS
from miner.schema import FINDINGS
from tests.export.examples import first_move, legal
from tests.report.scanned import motif_page
from tests.report.stores import (
    club_findings,
    contents_of,
    followed_tables,
    legal_comments,
    legal_model,
    legal_season,
    written_store,
)

WORDED = PHRASES[ENGLISH].practice.items()


def told_type() -> str:
    """The interface of a finding's columns: its place among the mistakes, words, then columns of FINDINGS."""
    types = {"mistake": "number"} | dict.fromkeys(WORDS, "string")
    types |= {name: type_of(FINDINGS.field(name)) for name in FINDING_COLUMNS}
    return "interface Told {" + "".join(f"\n  {name}: {kind};" for name, kind in types.items()) + "\n}\n"


def words_type() -> str:
    """The interface of the practice page's words, by those of English."""
    lines = [f"\n  {name}: {'string' if isinstance(words, str) else 'string[]'};" for name, words in WORDED]
    return f"interface PracticeWords {{{''.join(lines)}\n}}\n"


def type_of(column: pa.Field) -> str:
    """The type of a column's values in JSON, by TypeScript's name for it."""
    kind = "string" if pa.types.is_string(column.type) else "number"
    return f"{kind} | null" if column.nullable else kind


def example() -> str:
    """The contents of a page with all that one can hold; too much or too little would not be `Contents`."""
    tables = {"model_games": [legal_model()], "seasons": [legal_season()]} | followed_tables()
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "report.html"
        report(written_store(Path(folder), club_findings(), tables), page, legal_comments())
        told = {"EXAMPLE": contents_of(page), "MOTIFS": contents_of(motif_page(Path(folder)))}
    pages = "".join(f"const {name}: Contents = {json.dumps(value)};\n" for name, value in told.items())
    return pages + f"const PRACTICE: PracticeContents = {json.dumps(practice_example())};\n"


def practice_example() -> dict[str, Any]:
    """What the page to practise on is told of a trap, and of a pitfall to be done better."""
    return practice_contents(choose([legal(), first_move()]), Tongue.of("de"))


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(told_type() + words_type() + example(), encoding="utf-8")
