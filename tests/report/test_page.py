"""The page as a whole: what it holds, and what it lets in."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.draw.documents import SHARED_SCRIPTS, json_in_html
from miner.errors import ExportError, StoreError, UsageError
from miner.report import report
from miner.report.contents import FINDING_COLUMNS, WORDS
from miner.report.page import SCRIPTS, page_bytes
from miner.store import Store
from tests.export.examples import legal, vienna
from tests.report.stores import (
    club_findings,
    contents_of,
    followed_tables,
    legal_model,
    legal_season,
    written_store,
)
from tests.stores import finish

PAGE = page_bytes("A title <&>", {"name": "</script><script>alert(1)"}).decode()


def test_policy_names_each_script_and_the_style_by_its_hash() -> None:
    """All that runs is named, nothing else is: the browser stops the rest."""
    [policy] = re.findall(r'http-equiv="Content-Security-Policy" content="([^"]*)"', PAGE)
    inline = re.findall(r"<script>(.*?)</script>", PAGE, re.DOTALL) + re.findall(
        r"<style>(.*?)</style>", PAGE, re.DOTALL
    )
    hashes = [base64.b64encode(hashlib.sha256(one.encode()).digest()).decode() for one in inline]

    assert len(inline) == len(SHARED_SCRIPTS) + len(SCRIPTS) + 1
    assert re.findall(r"'sha256-([^']*)'", policy) == hashes
    assert policy.startswith("default-src 'none'; script-src ")
    assert "unsafe" not in policy


def test_loads_nothing() -> None:
    """No element names anything outside the file."""
    assert (
        re.findall(r"""(?:src|href)=["'](?!#)|url\((?!#)|@import|https?://(?!www\.w3\.org/2000/svg)""", PAGE)
        == []
    )
    assert " style=" not in PAGE


def test_title_and_contents_are_escaped() -> None:
    """Neither can end the element that it stands in."""
    assert "<title>A title &lt;&amp;&gt;</title>" in PAGE
    assert "alert(1)" in PAGE
    assert "<script>alert" not in PAGE


def test_each_piece_is_drawn_once() -> None:
    """Twelve symbols that the boards refer to."""
    assert sorted(re.findall(r'<symbol id="piece-(\w)"', PAGE)) == sorted("kqrbnpKQRBNP")


@given(
    st.recursive(
        st.text(st.characters(codec=None)), lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner)
    )
)
def test_any_text_comes_back_from_the_json(value: object) -> None:
    """Whatever the text, it reads back to the same and has no character that HTML would act on."""
    written = json_in_html(value)

    assert json.loads(written) == value
    assert not set(written) & set("<>&\u2028\u2029")
    written.encode("utf-8")


def test_each_column_of_a_finding_is_used() -> None:
    """The scripts read all that is told of a finding; that they read nothing else the type checker sees."""
    comments = re.compile(r"/\*.*?\*/|//[^\n]*", re.DOTALL)
    code = "".join(comments.sub("", one) for one in re.findall(r"<script>(.*?)</script>", PAGE, re.DOTALL))

    unused = [name for name in (*WORDS, *FINDING_COLUMNS) if not re.search(rf"\.{name}\b|\b{name}: ", code)]

    assert unused == []


def test_same_store_same_bytes(tmp_path: Path) -> None:
    """The page says nothing of when or where it was made."""
    store = written_store(tmp_path, club_findings())
    first, second = tmp_path / "a.html", tmp_path / "deep" / "folder" / "b.html"

    size = report(store, first)
    report(store, second)

    assert first.read_bytes() == second.read_bytes()
    assert size == first.stat().st_size
    assert str(tmp_path) not in first.read_text(encoding="utf-8")


def test_findings_that_are_out_of_date_are_told_to_be(tmp_path: Path) -> None:
    """Games that came or went since are in the heading, not in the findings."""
    store = written_store(tmp_path, club_findings())
    report(store, tmp_path / "before.html")
    read = store.require("read")
    finish(store, replace(read, inputs={"sources": []}))

    report(store, tmp_path / "after.html")

    told = [contents_of(tmp_path / f"{name}.html")["mined"]["stale"] for name in ("before", "after")]
    assert told == [False, True]


def test_mistakes_are_told_once(tmp_path: Path) -> None:
    """Each is told of all bands together and of each band, and for either side."""
    report(written_store(tmp_path, [vienna(), vienna(band="800-999"), legal()]), tmp_path / "report.html")

    told = contents_of(tmp_path / "report.html")

    assert len(told["mistakes"]) == 2
    band, kind = (told["columns"].index(name) for name in ("band", "kind"))
    assert [(row[0], row[band], row[kind]) for row in told["findings"]] == [
        *((mistake, "all", kind) for mistake in (0, 1) for kind in ("trap", "pitfall")),
        *((0, band, kind) for band in ("1000-1199", "800-999") for kind in ("trap", "pitfall")),
        *((1, "1000-1199", kind) for kind in ("trap", "pitfall")),
    ]
    assert told["bands"] == ["800-999", "1000-1199", "1200-1399"]


def test_tables_that_may_be_missing(tmp_path: Path) -> None:
    """Model games, plans and seasons are told where they are, and only of replies that are in the list."""
    plan = {
        "key": legal().key, "move": legal_model()["move"], "players": "strongest", "games": 20,
        "theme": "piece", "detail": "knight d5", "from_square": "c3", "to_square": "d5", "share": 0.9,
    }  # fmt: skip
    tables = {
        "model_games": [legal_model(), legal_model(move=1)],
        "seasons": [legal_season()],
        "plans": [plan],
    }
    report(written_store(tmp_path, [legal(), vienna()], tables), tmp_path / "report.html")

    mate, gambit = contents_of(tmp_path / "report.html")["mistakes"]

    assert [len(mate[name]) for name in ("models", "seasons", "plans")] == [1, 1, 1]
    assert [gambit[name] for name in ("models", "seasons", "plans", "answers")] == [[], [], [], []]


def test_leaks_of_the_replies_in_the_list(tmp_path: Path) -> None:
    """What `follow` knows of later mistakes is told of its reply, and of no other."""
    store = written_store(tmp_path, [legal(), vienna()], followed_tables())
    report(store, tmp_path / "report.html")

    mate, gambit = contents_of(tmp_path / "report.html")["mistakes"]

    assert mate["leaks"] == ["After 5...Bxd1 3 of 8 kept less, by 6.Kxd1; better is 6.Bxf7+."]
    assert gambit["leaks"] == []


def test_nobody_followed_a_reply(tmp_path: Path) -> None:
    """Tables without a row tell of no leaks."""
    nothing: dict[str, list[Any]] = {name: [] for name in followed_tables()}
    report(written_store(tmp_path, [legal()], nothing), tmp_path / "report.html")

    assert contents_of(tmp_path / "report.html")["mistakes"][0]["leaks"] == []


def test_nothing_ranked_yet(tmp_path: Path) -> None:
    """The error names the command that is missing."""
    with pytest.raises(StoreError, match="miner rank"):
        report(Store.create(tmp_path / "store"), tmp_path / "report.html")


def test_other_suffix(tmp_path: Path) -> None:
    """A page is HTML, whatever is asked for."""
    with pytest.raises(UsageError, match=r"end the name in \.html"):
        report(written_store(tmp_path, []), tmp_path / "report.pdf")


def test_place_that_cannot_be_written(tmp_path: Path) -> None:
    """A file where the folder should be is an error of ours."""
    (tmp_path / "file").touch()

    with pytest.raises(ExportError, match="cannot be written"):
        report(written_store(tmp_path, []), tmp_path / "file" / "report.html")
