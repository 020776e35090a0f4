"""Pages that are written from the code by `make docs`: the tables with their columns, and the settings."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pyarrow as pa

from miner.schema import LISTS, SCHEMA_VERSION, TABLES
from miner.settings import Option, Settings, settings_in
from miner.store import FOLDERS, TABLES_OF

_ABOUT = f"""# The tables

A store keeps them as Parquet, which any program for data opens: `games` and `moves` are folders of files,
each other table is a file of its name. `store.frame("replies")` gives one as a frame of pandas, and
`store.sql` has each as a view ([how](library.md)). This is schema version {SCHEMA_VERSION}.

A position key is the Polyglot Zobrist key; CSV, JSON and workbooks have it as 16 hexadecimal digits. A move
in 16 bits holds where it goes (bits 0 to 5), whence (6 to 11) and what a pawn becomes (12 to 14; 0 nothing,
2 knight ... 5 queen); squares count from a1, b1 to h8. Scores are for the side to move unless a column says
otherwise. Bands are text in the files; in frames and in `store.sql` they are in the order of ratings, and
`games` has `white_band` and `black_band`, too.
"""
_SAME = {"missed": "findings", "by_band": "findings", "scanned": "moves"}
"""Tables with the columns of another one."""
_ABOUT_LISTS = """## By `miner export`

A file's name says what it holds: `miner export --to motifs.csv`, and so as `.json`, `.parquet` and `.xlsx`,
all with the same columns. Findings and `bands` have the columns of [findings](#findings), of which CSV and
workbooks leave out `wdl_best`, `wdl_reply`, `pattern` and `best_line`. CSV rounds shares to 4 decimals,
reach to 6 and points to 3; what is not known is empty there, and null in JSON and Parquet.
"""
_ROWS = {
    "motifs": "A row for each motif that five players of the sample fell for, and each band of which one "
    "did, or all together; the most frequent of a band first.",
    "moments": "A row for each mistake that the scan found, by game and ply; `moments.pgn` and `moments.epd` "
    "have the same mistakes.",
    "unplayed": "A row for each losing reply that is likely though nobody has played it in these games, and "
    "each band; what should cost most first.",
}
"""What each list is, beside findings."""


def pages() -> dict[str, str]:
    """All of them, by their files' names."""
    return {"tables.md": tables_page(), "settings.md": settings_page()}


def write_pages(folder: Path) -> None:
    """Write all of them to the folder, those that have changed."""
    for name, text in pages().items():
        page = folder / name
        if not page.exists() or page.read_text(encoding="utf-8") != text:
            page.write_text(text, encoding="utf-8")


def tables_page() -> str:
    """Every table with its columns, by the stage that writes it, and every list that is exported."""
    parts = [_ABOUT]
    for stage, names in TABLES_OF.items():
        parts.append(f"## By `miner {stage}`\n")
        for name in names:
            kind = "a folder of files" if name in FOLDERS else f"`{name}.parquet`"
            if same := _SAME.get(name):
                parts.append(f"### {name}\n\nIn {kind}; the columns of `{same}`.\n")
                continue
            parts.append(f"### {name}\n\nIn {kind}.\n")
            parts.append(_columns(TABLES[name]))
    parts.append(_ABOUT_LISTS)
    for name, columns in LISTS.items():
        parts.append(f"### {name}, as a list\n\n{_ROWS[name]}\n")
        parts.append(_columns(columns))
    return "\n".join(parts)


def _columns(schema: pa.Schema) -> str:
    return _table(("column", "type", "what it is"), map(_column, schema))


def _column(field: pa.Field) -> tuple[str, str, str]:
    return f"`{field.name}`", str(field.type), field.metadata[b"is"].decode()


def settings_page() -> str:
    """Every setting of every stage with its default, as in a file for `--settings`."""
    parts = [
        "# The settings\n",
        "What can change a result, stage by stage, with the defaults. `miner run --settings FILE` takes a "
        "file with those that are to be other ones, and `miner status --settings` prints what a store "
        "was made with; in Python they are the fields of `miner.Settings` and of the classes named here.\n",
    ]
    for field in dataclasses.fields(Settings):
        made: Any = field.default_factory
        parts.append(f"## {field.name}: `{made.__name__}`\n")
        rows = [
            (f"`{name}`", f"`{getattr(made(), name)!r}`", _help(notes))
            for name, (_, notes) in settings_in(made).items()
        ]
        parts.append(_table(("setting", "default", "what it is"), rows))
    return "\n".join(parts)


def _help(notes: Any) -> str:
    return next((note.help for note in notes if isinstance(note, Option)), "")


def _table(headings: tuple[str, ...], rows: Any) -> str:
    lines = [headings, ("---",) * len(headings), *rows]
    return "".join(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in line)} |\n" for line in lines)
