"""The pupils' pages in a real browser."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from importlib import resources
from pathlib import Path

import pytest
from playwright.sync_api import expect

from miner.lesson.files import write_files
from miner.pupils import Member, check_games
from miner.pupils.pages import pupils_files
from tests.browser import OpenFile, too_wide
from tests.lesson.pages import sizes_mm, texts
from tests.pupils.clubs import INTO_LEGAL, INTO_VIENNA, club_findings, club_store, game, written
from tests.report.stores import HOSTILE


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Pages about Anna and Bert, whose openings and group have hostile names; not to be changed."""
    folder = tmp_path_factory.mktemp("pupils")
    findings = [replace(one, opening=HOSTILE, reason_detail=HOSTILE) for one in club_findings()]
    store = club_store(folder, findings)
    games = [
        game(f"{line} {moves}", Date=f"2025.{month:02}.10")
        for month in range(1, 13)
        for line, moves in ((INTO_VIENNA, "exf4 d3"), (INTO_LEGAL, "Bxd1 Bxf7+ Ke7"))
    ]
    players = [Member("Anna", HOSTILE), Member("Bert")]
    check = check_games(store, [written(folder, games)], players, lesson=date(2025, 6, 1))
    write_files(folder / "out", pupils_files(check, pdf=False), "pupils")
    return folder / "out"


@pytest.mark.parametrize(("scheme", "width"), [("dark", 1280), ("light", 390)])
def test_pages(pages: Path, look: OpenFile, width: int, scheme: str) -> None:
    """Nothing is fetched, run or complained of; axe finds nothing serious; all is in the window."""
    axe = resources.files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    for file in sorted(pages.glob("*.html")):
        seen = look(file, width=width, scheme=scheme)
        assert seen.page.evaluate("document.documentElement.scrollWidth") <= width, file.name
        assert seen.page.evaluate("window.caught") is None
        assert seen.page.locator("img, script").count() == 0
        assert (seen.complaints, seen.requests) == ([], [file.resolve().as_uri()])
        seen.page.evaluate(axe)
        found = seen.page.evaluate("axe.run()")
        assert found["passes"]
        serious = [one for one in found["violations"] if one["impact"] in ("serious", "critical")]
        assert [(one["id"], one["nodes"][0]["html"]) for one in serious] == []


def test_fits_into_windows_of_all_widths(pages: Path, look: OpenFile) -> None:
    """From a small telephone to a desk."""
    for file in sorted(pages.glob("*.html")):
        assert too_wide(look(file).page) == [], file.name


def test_group_leads_to_pupils(pages: Path, look: OpenFile) -> None:
    """Each line of the table leads to the pupil's page."""
    page = look(pages / "group.html").page
    names = page.locator(".pupils .title").all_inner_texts()

    page.get_by_role("link", name=names[0]).click()

    assert len(names) == 2
    expect(page.locator("h1")).to_have_text(names[0])


def test_hostile_names_are_shown(pages: Path, look: OpenFile) -> None:
    """What looks like markup is shown as it was written."""
    page = look(pages / "group.html").page

    expect(page.locator(".costly .title").first).to_contain_text('<img src=x onerror="window.caught=1">')
    assert "\u202e" not in page.content()


def test_boards_are_drawn(pages: Path, look: OpenFile) -> None:
    """An exercise's board shows all pieces, the pupil's side below."""
    [anna] = [one for one in pages.glob("pupil-*.html") if "How do you punish 3...exf4?" in one.read_text()]
    board = look(anna).page.locator("figure", has_text="How do you punish 3...exf4?").locator(".diagram")

    assert board.locator("use").count() == 31
    king = board.locator('use[href="#piece-K"]')
    assert (king.get_attribute("x"), king.get_attribute("y")) == ("180", "315")
    box = king.bounding_box()
    assert box is not None
    assert box["width"] > 20


def test_print(pages: Path, look: OpenFile, tmp_path: Path) -> None:
    """Of few games, a pupil's page prints on one sheet of A4 with the exercises; the answers on another."""
    page = look(next(iter(sorted(pages.glob("pupil-????.html"))))).page
    page.pdf(path=tmp_path / "page.pdf", prefer_css_page_size=True)

    sheets = (tmp_path / "page.pdf").read_bytes()

    page.get_by_role("link", name="The answers").click()
    page.pdf(path=tmp_path / "answers.pdf", prefer_css_page_size=True)

    assert len(texts(sheets)) == 1
    assert ["Answers:" in text for text in texts((tmp_path / "answers.pdf").read_bytes())] == [True]
    assert sizes_mm(sheets) == {(210, 297)}


def test_numbers_of_what_went_wrong_are_labelled(pages: Path, look: OpenFile) -> None:
    """Where the table has no head, each number says what it is."""
    [bert] = [one for one in pages.glob("pupil-*.html") if "<td>played 3...exf4<" in one.read_text()]
    for width, shown in ((390, ['"How often"', '"Points lost"']), (1280, ["none", "none"])):
        cells = look(bert, width=width).page.locator(".wrong tr:first-child td[data-name]")
        before = "all => all.map(one => getComputedStyle(one, '::before').content)"
        assert cells.evaluate_all(before)[:2] == shown, width
