"""The page's parts: what the policy lets through, and what escapes into the text."""

from __future__ import annotations

import base64
import hashlib
import json
import re

from hypothesis import given
from hypothesis import strategies as st

from miner.report.contents import COLUMNS, WORDS
from miner.report.page import SCRIPTS, json_in_html, page_bytes

PAGE = page_bytes("A title <&>", {"name": "</script><script>alert(1)"}).decode()


def test_policy_names_each_script_and_the_style_by_its_hash() -> None:
    """All that runs is named, nothing else is: the browser stops the rest."""
    [policy] = re.findall(r'http-equiv="Content-Security-Policy" content="([^"]*)"', PAGE)
    inline = re.findall(r"<script>(.*?)</script>", PAGE, re.DOTALL) + re.findall(
        r"<style>(.*?)</style>", PAGE, re.DOTALL
    )
    hashes = [base64.b64encode(hashlib.sha256(one.encode()).digest()).decode() for one in inline]

    assert len(inline) == len(SCRIPTS) + 1
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

    unused = [name for name in (*WORDS, *COLUMNS) if not re.search(rf"\.{name}\b|\b{name}: ", code)]

    assert unused == []
